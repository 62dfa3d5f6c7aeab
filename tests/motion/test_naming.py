"""Names of excursions, against the movements' definitions."""

from __future__ import annotations

from dataclasses import replace

import pytest

from vision_rom.motion.naming import SIGNATURES, UNKNOWN, Shape, name_of
from vision_rom.movements import load_catalogue

NAN = float("nan")
STRAIGHT = Shape(
    elevation=150.0,
    plane=0.0,
    elbow=8.0,
    elbow_most=12.0,
    outward=NAN,
    inward=NAN,
    reach=0.95,
    wrist_across=0.7,
    wrist_highest=-0.9,
    wrist_level=-0.8,
    elbow_way=0.6,
    wrist_rises=0.03,
    wrist_falls=1.1,
)
BENT = replace(
    STRAIGHT,
    elevation=12.0,
    elbow=90.0,
    elbow_most=92.0,
    outward=5.0,
    inward=5.0,
    reach=0.55,
    wrist_highest=0.48,
    wrist_level=0.52,
)
RAISED_BENT = replace(STRAIGHT, elevation=90.0, elbow=90.0, elbow_most=92.0, reach=0.5)


@pytest.mark.parametrize(
    ("shape", "view", "name"),
    [
        (STRAIGHT, "front", "abduction"),
        (STRAIGHT, "back", "abduction"),
        (replace(STRAIGHT, plane=88.0), "right_side", "flexion"),
        (replace(STRAIGHT, plane=88.0, elevation=70.0, wrist_highest=0.3), "left_side", "flexion"),
        (replace(STRAIGHT, plane=-88.0, elevation=40.0, wrist_highest=0.85), "left_side", "extension"),
        (replace(BENT, outward=50.0), "front", "external_rotation"),
        (replace(BENT, inward=40.0), "front", "internal_rotation"),
        (replace(BENT, elbow_most=120.0, wrist_highest=0.05, wrist_level=0.2), "front", "elbow_flexion"),
        (replace(BENT, elbow_most=120.0, wrist_highest=0.1), "right_side", "elbow_flexion"),
        (replace(RAISED_BENT, wrist_highest=-0.45, wrist_rises=0.4), "right_side", "external_rotation_90"),
        (replace(RAISED_BENT, wrist_highest=0.0, wrist_falls=0.3), "right_side", "internal_rotation_90"),
        (
            replace(BENT, elevation=30.0, plane=-60.0, elbow_most=90.0, wrist_across=0.15, wrist_highest=0.7),
            "back",
            "hand_behind_back",
        ),
        (
            replace(STRAIGHT, elevation=92.0, plane=100.0, reach=0.3, wrist_across=-0.05, wrist_highest=0.0),
            "front",
            "cross_body_adduction",
        ),
    ],
)
def test_a_movement_by_its_definition_has_its_name(shape, view, name):
    found = name_of(shape, view)
    assert found.movements == (name,)
    assert found.confidence > 0.85


def test_rotation_both_ways_is_two_movements():
    found = name_of(replace(BENT, outward=60.0, inward=50.0), "front")
    assert found.movements == ("external_rotation", "internal_rotation")


def test_a_bent_elbow_whose_hand_is_now_and_then_drawn_up_is_no_bending_one():
    drawn_up = replace(BENT, elbow_most=108.0, wrist_highest=0.15, outward=60.0)
    assert name_of(drawn_up, "front").movements == ("external_rotation",)


def test_between_two_movements_the_name_is_withheld():
    between = replace(BENT, outward=30.0, inward=30.0)
    assert name_of(between, "front").movements == (UNKNOWN,)


def test_an_arm_that_does_nothing_of_the_kind_is_unknown():
    assert name_of(replace(STRAIGHT, elbow=130.0, reach=0.2), "front").movements == (UNKNOWN,)


def test_from_the_side_rotation_at_the_side_has_no_name():
    assert name_of(replace(BENT, outward=50.0), "right_side").movements == (UNKNOWN,)


def test_scaption_is_named_only_where_it_was_expected():
    raised = replace(STRAIGHT, plane=40.0)
    assert name_of(raised, "front").movements == (UNKNOWN,)
    assert name_of(raised, "front", allowed=("abduction", "scaption")).movements == ("scaption",)
    assert name_of(raised, "front", allowed=("abduction",)).movements == ("abduction",)


def test_nothing_is_named_that_was_not_allowed():
    assert name_of(STRAIGHT, "front", allowed=("flexion",)).movements == (UNKNOWN,)


def test_every_signature_names_movements_of_the_catalogue_and_figures_of_a_shape():
    for one in SIGNATURES:
        assert set(one.movements) <= {movement.name for movement in load_catalogue()}
        assert set(one.ranges) <= {*Shape.__dataclass_fields__, "one_way"}
        assert all(least < most and margin > 0 for least, most, margin in one.ranges.values())
