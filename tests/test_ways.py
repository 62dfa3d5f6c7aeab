"""The ways to an angle: which is taken, how movements are grouped, when a reading is too unsure to be one."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from vision_rom.angles import find_view
from vision_rom.measure import find_landmarks
from vision_rom.movements import load_catalogue, movement
from vision_rom.pose import PoseSettings
from vision_rom.readings import measure_landmarks
from vision_rom.ways import WIDEST_HALF_WIDTH_DEG, group_of, raw_curve, too_unsure

CLIPS = Path(__file__).parents[1] / "sample_clips"


@pytest.fixture(scope="module")
def seen():
    return find_landmarks(
        CLIPS / "demo_abduction_left.mp4",
        settings=PoseSettings(),
        mirrored=False,
        time_factor=1.0,
        rate_hz=15.0,
        cache=None,
        on_progress=lambda stage, share: None,
    )


def test_every_measured_movement_has_a_group():
    groups = {one.name: group_of(one) for one in load_catalogue() if one.kind in ("elevation", "axial_rotation")}
    assert groups["abduction"] == groups["scaption"] == "frontal"
    assert groups["flexion"] == groups["extension"] == "sagittal"
    assert groups["external_rotation"] == groups["internal_rotation"] == "rotation_side"
    assert groups["external_rotation_90"] == groups["internal_rotation_90"] == "rotation_90"


def test_both_ways_see_the_same_arm_and_say_which_they_were(seen):
    clip, track = seen
    readings = {
        method: measure_landmarks(clip, track, movement="abduction", side="left", method=method)
        for method in ("learned", "picture")
    }
    held = {method: measured.readings[0].held_deg for method, measured in readings.items()}
    assert held["learned"] != held["picture"]
    assert held["learned"] == pytest.approx(held["picture"], abs=12)
    assert {m: one.parameters["method"] for m, one in readings.items()} == {"learned": "learned", "picture": "picture"}


def test_landmarks_without_depth_go_the_plain_way(seen):
    _, track = seen
    flat = replace(track, world_m=np.full_like(track.world_m, np.nan))
    view = find_view(track.landmarks_px, track.visibility, track.world_m, network="full")
    assert raw_curve(flat, movement("abduction"), "left", view, "learned").method == "picture"
    assert raw_curve(track, movement("abduction"), "left", view, "learned").method == "learned"


def test_the_plain_way_does_not_read_rotation_of_a_raised_arm(seen):
    clip, track = seen
    measured = measure_landmarks(clip, track, movement="external_rotation_90", side="left", method="picture")
    assert measured.readings[0].status == "not_measured"
    assert "learned method only" in measured.readings[0].reason


@pytest.mark.parametrize(("half", "refused"), [(WIDEST_HALF_WIDTH_DEG, False), (WIDEST_HALF_WIDTH_DEG + 0.1, True)])
def test_a_wide_interval_is_no_reading(half, refused):
    sentence = too_unsure((100 - half, 100 + half))
    assert bool(sentence) is refused
    if refused:
        assert "Film again" in sentence
    assert too_unsure((float("nan"), float("nan"))) == ""


def test_slow_motion_gives_angles_and_no_speeds(seen):
    clip, track = seen
    usual, slow = (
        measure_landmarks(replace(clip, speeds_trusted=trusted), track, movement="abduction", side="left").readings[0]
        for trusted in (True, False)
    )
    assert slow.held_deg == usual.held_deg
    assert len(slow.repetitions) == len(usual.repetitions) > 0
    for name in ("peak_speed_deg_s", "raise_s", "hold_s", "lower_s", "lowering_speed_deg_s", "smoothness"):
        assert np.isfinite([getattr(one, name) for one in usual.repetitions]).all(), name
        assert np.isnan([getattr(one, name) for one in slow.repetitions]).all(), name
