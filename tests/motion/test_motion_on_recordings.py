"""Smoothing and repetitions on shoulders that really moved, recorded and measured by others.

Truth: UI-PRMD (Vakanski et al. 2018, Data 3:2), the laboratory's own joint angles at 100 Hz; group 28 of three is the
right shoulder, its second value abduction (identified by its correlation of 1.000 with the markers' elevation).
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from vision_rom.handover import AngleCurve, Floats, Side
from vision_rom.motion import repetitions, smooth
from vision_rom.synthetic.capture import MARKERS

LEFT_GROUP, RIGHT_GROUP = 27, 28
LAB_STEP_S = 0.01


def a_curve(time_s: Floats, angle_deg: Floats, side: Side = "right", movement: str = "abduction") -> AngleCurve:
    return AngleCurve(movement, side, time_s, angle_deg, angle_deg.copy(), np.ones_like(time_s))


def laboratory_abduction(folder: Path, name: str, side: Side) -> AngleCurve:
    table = np.loadtxt(folder / "uiprmd" / f"vicon_{name}_angles.txt.gz", delimiter=",")
    group = LEFT_GROUP if side == "left" else RIGHT_GROUP
    angle_deg = table[:, 3 * group + 1]
    return a_curve(np.arange(angle_deg.size) * LAB_STEP_S, angle_deg, side)


@pytest.mark.parametrize(
    ("name", "side"),
    [
        (f"{movement}_{subject}_{repetition}", side)
        for movement in ("m07", "m10")
        for subject, side in (("s01", "right"), ("s07", "left"))
        for repetition in ("e01", "e02")
    ]
    + [("incorrect_m07_s01_e01", "right"), ("incorrect_m07_s01_e02", "right")],
)
def test_one_repetition_with_the_laboratorys_peak(outside_data: Path, name: str, side: Side) -> None:
    """Each file of the data set is one raise and return; the moving arm has one, the other none."""
    moving = laboratory_abduction(outside_data, name, side)
    result = repetitions(smooth(moving))
    assert len(result.kept) == 1
    (one,) = result.kept
    assert one.peak_deg == pytest.approx(moving.angle_deg.max(), abs=0.5)
    assert one.peak_s == pytest.approx(moving.time_s[moving.angle_deg.argmax()], abs=0.1)
    assert one.start_s < one.hold_start_s < one.hold_end_s < one.end_s
    assert one.peak_deg - 5 < one.held_deg < one.peak_deg
    still = laboratory_abduction(outside_data, name, "left" if side == "right" else "right")
    assert repetitions(smooth(still)).kept == ()


def test_peak_of_the_first_abduction(outside_data: Path) -> None:
    """Row 103 of m07_s01_e01 reads 144.441 deg, the largest of the file."""
    curve = laboratory_abduction(outside_data, "m07_s01_e01", "right")
    assert curve.angle_deg[103] == pytest.approx(144.441)
    (one,) = repetitions(smooth(curve)).kept
    assert one.peak_deg == pytest.approx(144.441, abs=0.2)
    assert one.peak_s == pytest.approx(1.03, abs=0.02)


def test_published_keypoints_of_both_arms(outside_data: Path) -> None:
    """Peaks of the angle between shoulder-elbow and shoulder-hip in keypoints published with a clip of 30 Hz.

    Unsmoothed: left 174.25 deg at frame 54, right 179.97 deg at frame 70, computed from the published pixels.
    """
    left, right = (published_curve(outside_data, side) for side in ("left", "right"))
    assert (left.angle_deg.argmax(), right.angle_deg.argmax()) == (54, 70)
    for curve, published_deg, frame in ((left, 174.25, 54), (right, 179.97, 70)):
        assert curve.angle_deg[frame] == pytest.approx(published_deg, abs=0.01)
        result = repetitions(smooth(curve))
        assert len(result.kept) == 1, result
        (one,) = result.kept
        assert one.start_s < frame / 30 < one.end_s
        assert published_deg - 6 < one.peak_deg < published_deg + 1
        assert one.held_deg <= one.peak_deg


def published_curve(folder: Path, side: Side) -> AngleCurve:
    frames = json.loads((folder / "keypoint_clips" / "pose_1.json").read_text())

    def points(part: str) -> Floats:
        return np.array([(frame[f"{side}_{part}"]["x"], frame[f"{side}_{part}"]["y"]) for frame in frames])

    arm, trunk = points("elbow") - points("shoulder"), points("hip") - points("shoulder")
    cross = arm[:, 0] * trunk[:, 1] - arm[:, 1] * trunk[:, 0]
    angle_deg = np.degrees(np.arctan2(np.abs(cross), (arm * trunk).sum(axis=1)))
    return a_curve(np.arange(len(frames)) / 30, angle_deg, side)


def elevation_from_markers(folder: Path, name: str, side: Side) -> AngleCurve:
    """Angle of shoulder-elbow to the downward trunk axis; a marker at (0, 0, 0) is missing, so NaN."""
    table = np.loadtxt(folder / "uiprmd" / f"vicon_{name}_positions.txt.gz", delimiter=",").reshape(-1, 39, 3)
    table[(table == 0).all(axis=2)] = np.nan
    at = {marker: table[:, number] for number, marker in enumerate(MARKERS)}
    down = (at["T10"] + at["STRN"]) / 2 - (at["C7"] + at["CLAV"]) / 2
    letter = side[0].upper()
    arm = at[f"{letter}ELB"] - at[f"{letter}SHO"]
    angle_deg = np.degrees(np.arctan2(np.linalg.norm(np.cross(arm, down), axis=1), (arm * down).sum(axis=1)))
    return a_curve(np.arange(len(table)) * LAB_STEP_S, angle_deg, side)


def test_a_missing_marker_is_a_gap(outside_data: Path) -> None:
    """CLAV is missing in rows 0 to 47 of m10_s02_e01; as a position it would make 131 deg of both arms at rest."""
    raw = elevation_from_markers(outside_data, "m10_s02_e01", "right")
    assert np.isnan(raw.angle_deg[:48]).all()
    curve = smooth(raw)
    assert np.isnan(curve.angle_deg[:48]).all()
    assert not curve.trusted[:66].any()
    assert curve.trusted[67]
    result = repetitions(curve)
    assert len(result.kept) == 1
    assert result.kept[0].peak_deg == pytest.approx(np.nanmax(raw.angle_deg), abs=0.3)
    assert result.kept[0].peak_deg < 110
    assert repetitions(smooth(elevation_from_markers(outside_data, "m10_s02_e01", "left"))).kept == ()


def test_markers_and_laboratory_find_the_same_repetition(outside_data: Path) -> None:
    """They differ by about 11 deg by definition, and by nothing in time."""
    markers = smooth(elevation_from_markers(outside_data, "m07_s01_e01", "right"))
    (one,) = repetitions(markers).kept
    (other,) = repetitions(smooth(laboratory_abduction(outside_data, "m07_s01_e01", "right"))).kept
    assert one.peak_deg == pytest.approx(130.95, abs=0.3)
    assert one.peak_s == pytest.approx(other.peak_s, abs=0.05)
    assert one.hold_start_s == pytest.approx(other.hold_start_s, abs=0.1)
    assert 8 < other.held_deg - one.held_deg < 15


@pytest.mark.parametrize("rate_hz", [20.0, 25.0, 50.0])
def test_fewer_pictures_a_second_change_little(outside_data: Path, rate_hz: float) -> None:
    """Every n-th row of the laboratory's curve reads within a degree of all rows: held within 1, peak within 1.5 deg."""
    for name in ("m07_s01_e02", "m10_s01_e02", "incorrect_m07_s01_e02"):
        full = laboratory_abduction(outside_data, name, "right")
        keep = slice(None, None, round(100 / rate_hz))
        thinned = a_curve(full.time_s[keep], full.angle_deg[keep])
        (one,), (other,) = (repetitions(smooth(curve)).kept for curve in (full, thinned))
        assert one.held_deg == pytest.approx(other.held_deg, abs=1.0)
        assert one.peak_deg == pytest.approx(other.peak_deg, abs=1.5)


def test_landmarks_of_a_pose_network_with_left_and_right_exchanged_at_times(outside_data: Path) -> None:
    """KERAAL (Nguyen et al. 2024), elbow-lifting exercise: BlazePose landmarks of 193 pictures, truth unknown.

    Exchanging the two arms in single pictures and in four in a row must not change what is read.
    """
    table = json.loads((outside_data / "keraal" / "G3-BP-ELK-P1T1-Unknown-C-0.json").read_text())["positions"]
    frames = [table[key] for key in sorted(table, key=float)]

    def points(part: str) -> Floats:
        return np.array([frame[part][:2] for frame in frames])

    trunk = points("Left_hip") + points("Right_hip") - points("Left_shoulder") - points("Right_shoulder")
    elevation = {}
    for side in ("Left", "Right"):
        arm = points(f"{side}_elbow") - points(f"{side}_shoulder")
        cross = arm[:, 0] * trunk[:, 1] - arm[:, 1] * trunk[:, 0]
        elevation[side] = np.degrees(np.arctan2(np.abs(cross), (arm * trunk).sum(axis=1)))
    time_s = np.arange(len(frames)) / 30
    exchanged = np.zeros(len(frames), np.bool_)
    exchanged[[20, 50, 51, 90, 91, 92, 93, 140]] = True
    for side, other in (("Left", "Right"), ("Right", "Left")):
        clean = repetitions(smooth(a_curve(time_s, elevation[side])))
        spoilt = repetitions(smooth(a_curve(time_s, np.where(exchanged, elevation[other], elevation[side]))))
        assert clean.kept
        assert len(clean.kept) == len(spoilt.kept)
        for one, same in zip(clean.kept, spoilt.kept, strict=True):
            assert one.held_deg == pytest.approx(same.held_deg, abs=1.0)
            assert one.peak_deg == pytest.approx(same.peak_deg, abs=2.0)
