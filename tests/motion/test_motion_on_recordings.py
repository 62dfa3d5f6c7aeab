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
