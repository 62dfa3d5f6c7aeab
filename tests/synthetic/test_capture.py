"""UI-PRMD recordings (Vakanski et al. 2018, Data 3(1):2) as the motion of a rendered body."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import numpy as np
import pytest

from vision_rom.synthetic.capture import MARKERS, exercise_of, read_markers, read_motion, thorax_frames
from vision_rom.synthetic.choreography import pose_at
from vision_rom.synthetic.clip_description import ClipDescription, description_from_plain, description_to_toml
from vision_rom.synthetic.people import make_person
from vision_rom.synthetic.pose3d import Side
from vision_rom.synthetic.script import Script, Stand, script_from_json, script_to_json
from vision_rom.synthetic.truth import ArmAngles, angles_of, true_repetitions


def recording(outside_data: Path, name: str) -> Path:
    return outside_data / "uiprmd" / f"{name}_positions.txt.gz"


def true_angles(path: Path, side: Side, times: np.ndarray) -> list[ArmAngles]:
    """Truth of a rendered person at times (n,) of the recording."""
    act, person = read_motion(path).as_act(*exercise_of(path.name)), make_person(11)
    script = Script(acts=(act,), sway_deg=0.0, tremor_deg=0.0)
    return [angles_of(person.skeleton(pose_at(script, act.ready_s + float(t), person)), person)[side] for t in times]


def true_elevation(path: Path, side: Side) -> np.ndarray:
    angles = true_angles(path, side, np.arange(0, read_motion(path).duration_s, 0.05))
    return np.array([angle.elevation_deg for angle in angles])


@pytest.mark.parametrize(
    ("name", "side", "row", "elevation_deg"),
    [
        # elevation of the upper arm's markers against the thorax's, computed from the recordings independently of this
        # code: (T10 + STRN) / 2 - (C7 + CLAV) / 2 is the downward axis
        ("vicon_m07_s01_e01", "right", 0, 53.20),
        ("vicon_m07_s01_e01", "right", 50, 112.11),
        ("vicon_m07_s01_e01", "right", 103, 130.95),
        ("vicon_m10_s01_e01", "right", 68, 89.47),
    ],
)
def test_the_rendered_arm_is_raised_as_the_markers_were(
    outside_data: Path, name: str, side: Side, row: int, elevation_deg: float
) -> None:
    (angles,) = true_angles(recording(outside_data, name), side, np.array([row / 100]))
    assert angles.elevation_deg == pytest.approx(elevation_deg, abs=0.15)  # keyframes are 0.05 s apart


def test_the_restricted_repetition_stays_restricted(outside_data: Path) -> None:
    elevation = true_elevation(recording(outside_data, "vicon_incorrect_m07_s01_e01"), "right")
    assert elevation.max() == pytest.approx(79.7, abs=0.2)


def test_people_raise_the_arm_that_the_data_set_says(outside_data: Path) -> None:
    """Subjects 7 and 10 move the left arm, the others the right one."""
    for name in ("vicon_m07_s07_e01", "vicon_m08_s01_e01"):
        path = recording(outside_data, name)
        _, moving = exercise_of(path.name)
        resting: Side = "right" if moving == "left" else "left"
        assert np.ptp(true_elevation(path, moving)) > 25
        assert np.ptp(true_elevation(path, resting)) < 8


def test_extension_goes_backward_and_rotation_turns_both_ways(outside_data: Path) -> None:
    times = np.arange(0, 1.6, 0.1)
    raised = true_angles(recording(outside_data, "vicon_m08_s01_e01"), "right", times)
    assert max(raised, key=lambda a: a.elevation_deg).plane_deg < -45
    turned = true_angles(recording(outside_data, "vicon_m09_s01_e01"), "right", np.arange(0, 2.7, 0.1))
    assert max(a.rotation_deg for a in turned) > 80
    assert min(a.rotation_deg for a in turned) < 10


def test_a_recording_becomes_a_repetition_with_truth(outside_data: Path) -> None:
    path = recording(outside_data, "vicon_m07_s01_e01")
    act = read_motion(path).as_act(*exercise_of(path.name))
    script = Script(acts=(Stand(0.5), act, Stand(0.5)), sway_deg=0.0, tremor_deg=0.0)
    (true,) = true_repetitions(script, make_person(1), rate_hz=30)
    assert (true.movement, true.side) == ("abduction", "right")
    assert true.peak == pytest.approx(130.95, abs=0.4)
    assert true.peak_s == pytest.approx(0.5 + act.ready_s + 1.03, abs=0.06)
    assert true.start == pytest.approx(script.rest.elevation_deg, abs=0.1)
    assert script_from_json(json.loads(json.dumps(script_to_json(script)))) == script


def test_a_clip_can_be_described_with_a_recording(outside_data: Path) -> None:
    path = recording(outside_data, "vicon_m10_s01_e01")
    script = Script(acts=(read_motion(path).as_act(*exercise_of(path.name)),))
    description = ClipDescription(person=2, script=script)
    assert description_from_plain(tomllib.loads(description_to_toml(description))) == description


@pytest.mark.parametrize("name", ["holiday.txt", "vicon_m01_s01_e01_positions.txt"])
def test_a_name_that_tells_no_movement_is_refused(name: str) -> None:
    with pytest.raises(ValueError, match="names no movement"):
        exercise_of(name)


def test_a_marker_written_as_zeros_is_not_a_place(outside_data: Path) -> None:
    """vicon_m10_s02_e01: CLAV is (0, 0, 0) in rows 0 to 47; taken for a position it gives 131 deg for both arms."""
    path = recording(outside_data, "vicon_m10_s02_e01")
    assert np.isnan(read_markers(path)["CLAV"][:48]).all()
    motion = read_motion(path)
    assert motion.duration_s < 2.2
    assert true_elevation(path, "left").max() < 100
    assert true_elevation(path, "right").max() < 100


def test_markers_give_a_right_handed_upright_thorax(outside_data: Path) -> None:
    frames = thorax_frames(read_markers(recording(outside_data, "vicon_m07_s01_e01")))
    assert np.linalg.det(frames) == pytest.approx(1)
    assert np.einsum("nij,nik->njk", frames, frames)[0] == pytest.approx(np.eye(3))


def test_short_gaps_are_bridged_and_long_ones_are_not(tmp_path: Path) -> None:
    table = np.random.default_rng(0).normal(1000, 5, (80, 3 * len(MARKERS)))
    table[30:40, 12:15] = 0.0  # C7, 0.1 s
    table[50:75, 15:18] = 0.0  # T10, 0.25 s
    path = tmp_path / "gaps.txt"
    np.savetxt(path, table, delimiter=",")
    markers = read_markers(path)
    assert np.isfinite(markers["C7"]).all()
    assert markers["C7"][35] == pytest.approx(table[29, 12:15] + (table[40, 12:15] - table[29, 12:15]) * 6 / 11)
    assert np.isnan(markers["T10"][50:75]).all()


@pytest.mark.parametrize("text", ["1,2,3\n4,5,6\n", "hello\n", "1,2\n3\n"])
def test_what_is_no_recording_is_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "other.txt"
    path.write_text(text)
    with pytest.raises(ValueError, match=r"other\.txt"):
        read_motion(path)


def test_a_recording_without_the_thorax_is_refused(tmp_path: Path) -> None:
    table = np.random.default_rng(0).normal(1000, 5, (20, 3 * len(MARKERS)))
    table[:, 12:15] = 0.0
    path = tmp_path / "no_c7.txt"
    np.savetxt(path, table, delimiter=",")
    with pytest.raises(ValueError, match="never seen together"):
        read_motion(path)
