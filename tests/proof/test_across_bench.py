"""What the landmarks tell of adduction across the body: the people, the figures, the fit, and the committed result."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from vision_rom.angles import find_view
from vision_rom.handover import MIRRORED_LANDMARKS, PoseTrack, Side
from vision_rom.movements import movement
from vision_rom.parts import part_of
from vision_rom.proof import across_cases, cases, examination_cases
from vision_rom.proof.across_bench import STRAIGHT_ONLY, WAYS, Across, error_rows, figures_of, summary_of
from vision_rom.synthetic.truth import angles_of
from vision_rom.synthetic.truth_file import Actor
from vision_rom.ways import WIDEST_HALF_WIDTH_DEG

EXAMINATION = Path(__file__).parents[1] / "examination"
CASES = tuple(across_cases.across_cases(across_cases.PEOPLE))


def test_these_people_and_rooms_are_in_no_other_set() -> None:
    people = {case.description.person for case in CASES}
    others = {
        *examination_cases.SEEN_PEOPLE, *examination_cases.SEEN_LATER, *examination_cases.SEEN_LAST,
        *examination_cases.CLAIMED_PEOPLE,
        *cases.FULL_PEOPLE, *cases.QUICK_PEOPLE, *cases.CALIBRATION_PEOPLE,
    }  # fmt: skip
    assert len(people) == 50
    # a second person in a clip has the patient's number and 500 more
    assert not people & (others | {one + 500 for one in others})
    assert min(case.description.room for case in CASES) > max(examination_cases.FIRST_ROOMS.values()) + 1000


def test_the_arms_end_from_just_past_the_front_to_fully_across() -> None:
    reached = []
    for case in CASES[::6]:
        actor = Actor(case.description.person, case.description.script)
        times = np.arange(2.6, 3.0, 0.2)
        arms = [angles_of(actor.person.skeleton(actor.pose_at(t)), actor.person)[case.side] for t in times]
        reached.append(np.mean([one.plane_deg for one in arms]))
        assert all(65 < one.elevation_deg < 115 for one in arms)
    assert min(reached) < 105
    assert max(reached) > 130


@pytest.fixture
def track(kept_examination: PoseTrack) -> PoseTrack:
    """Twelve seconds of the rendered person whose landmarks are kept with the examination's tests."""
    return part_of(kept_examination, 0.0, 12.0)


def all_figures(track: PoseTrack, side: Side) -> dict[str, np.ndarray]:
    # without the pose network's own left-right fault, which a mirrored picture has the other way round
    return figures_of(side, track, find_view(track.landmarks_px, track.visibility, track.world_m, network=""))


@pytest.mark.parametrize("side", ["left", "right"])
def test_a_mirrored_recording_shows_the_same_figures_of_the_other_arm(side: Side, track: PoseTrack) -> None:
    order = list(MIRRORED_LANDMARKS)
    px, world = track.landmarks_px[:, order].copy(), track.world_m[:, order].copy()
    px[..., 0] = track.width_px - px[..., 0]
    world[..., 0] *= -1
    mirrored = replace(track, landmarks_px=px, world_m=world, visibility=track.visibility[:, order])
    other: Side = "right" if side == "left" else "left"
    before, after = all_figures(track, side), all_figures(mirrored, other)
    for name, values in before.items():
        np.testing.assert_allclose(after[name], values, atol=1e-3, err_msg=name)


def test_a_larger_picture_changes_no_figure_of_the_arm_s_place(track: PoseTrack) -> None:
    larger = replace(
        track, landmarks_px=2 * track.landmarks_px, width_px=2 * track.width_px, height_px=2 * track.height_px
    )
    before, after = all_figures(track, "right"), all_figures(larger, "right")
    for name in ("elbow", "whole_arm", "wrist", "arm", "forearm", "hand"):
        np.testing.assert_allclose(after[name], before[name], atol=1e-9, err_msg=name)


def drawn_people(count: int = 12) -> list[Across]:
    """People whose distance and angle are exact lines through the elbow's place and the turn."""
    rng = np.random.default_rng(3)
    names = sorted({name for way in WAYS.values() for name in way} | {"forearm", "hand", "wrist_depth"})
    people = []
    for number in range(count):
        figures = {name: float(rng.normal()) for name in names}
        distance = 1.0 + 0.4 * figures["elbow"] - 0.1 * figures["turn"]
        people.append(Across(f"drawn-{number}", distance, 100.0 - 30.0 * figures["elbow"], 10.0, figures))
    return people


def test_a_true_line_is_found_again() -> None:
    rows = pd.DataFrame(error_rows(drawn_people(), "elbow"))
    np.testing.assert_allclose(rows["distance"], rows["true_distance"], atol=1.1e-3)
    np.testing.assert_allclose(rows["angle_deg"], rows["true_angle_deg"], atol=0.11)


def test_what_is_true_of_a_person_does_not_reach_that_person_s_reading() -> None:
    people = drawn_people()
    told = [replace(people[0], distance=9.0, angle_deg=300.0, bend_deg=170.0), *people[1:]]
    for way in WAYS:
        before, after = ([row for row in error_rows(one, way) if row["clip"] == "drawn-0"] for one in (people, told))
        assert [(row["distance"], row["angle_deg"]) for row in before] == [
            (row["distance"], row["angle_deg"]) for row in after
        ]


def test_the_committed_summary_is_that_of_the_committed_errors() -> None:
    folder = EXAMINATION / "across"
    errors = pd.read_csv(folder / "errors.csv")
    kept = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    found = summary_of(errors)
    assert list(found) == list(kept) == list(WAYS)
    for way, figures in kept.items():
        assert found[way]["people"] == figures["people"]
        for name, tolerance in (("distance", 0.002), ("angle_deg", 0.2)):
            for figure, value in figures[name].items():
                assert found[way][name][figure] == pytest.approx(value, abs=tolerance)


def test_it_waits_for_a_mark_because_no_way_by_landmarks_is_sure_enough() -> None:
    """A reading less sure than 15 degrees is none; the day a way is sure enough, the mark and this test go."""
    assert movement("cross_body_adduction").status == "marked"
    kept = json.loads((EXAMINATION / "across" / "summary.json").read_text(encoding="utf-8"))
    half_deg = {way: figures["angle_deg"]["half_width95"] for way, figures in kept.items()}
    true_centres = half_deg.pop("true joint centres in the picture")
    assert min(half_deg.values()) > WIDEST_HALF_WIDTH_DEG
    assert kept[STRAIGHT_ONLY]["people"] <= 0.6 * len(across_cases.PEOPLE)
    assert true_centres < WIDEST_HALF_WIDTH_DEG
