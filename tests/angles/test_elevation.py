from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from vision_rom.angles import elevation_curve, elevation_of_vectors, trunk_down_px
from vision_rom.handover import Landmark


def published_keypoints(folder: Path) -> np.ndarray:
    """(120, 33, 2) from the 17 named keypoints a frame; NaN for the points that it does not name."""
    frames = json.loads((folder / "keypoint_clips" / "pose_1.json").read_text())
    out = np.full((len(frames), 33, 2), np.nan)
    for row, frame in enumerate(frames):
        for name, point in frame.items():
            out[row, Landmark[name.upper()]] = point["x"], point["y"]
    return out


@pytest.mark.parametrize(
    ("side", "first", "fortieth", "peak", "peak_frame"),
    [("left", 46.93, 160.87, 174.25, 54), ("right", 49.51, 172.15, 179.97, 70)],
)
def test_arm_against_same_side_of_the_trunk_on_published_keypoints(
    outside_data, side, first, fortieth, peak, peak_frame
):
    # tensorflow/tfjs-models, pose-detection test data pose_1.json; unsigned angles computed from its pixels
    angle = elevation_curve(published_keypoints(outside_data), side=side, line="same_side").angle_deg
    unsigned = np.minimum(np.abs(angle), 360 - np.abs(angle))
    assert unsigned[0] == pytest.approx(first, abs=0.01)
    assert unsigned[40] == pytest.approx(fortieth, abs=0.01)
    assert np.argmax(unsigned) == peak_frame
    assert unsigned[peak_frame] == pytest.approx(peak, abs=0.01)
    assert angle[0] > 0, "an arm raised to its own side is positive"


def test_three_fixed_arms_give_the_published_pixels_of_one_arm_three_angles():
    # tensorflow/tfjs-models, pose-detection test data pose.jpg: pixels of shoulders, left elbow and hips
    px = np.full((1, 33, 2), np.nan)
    px[0, Landmark.LEFT_SHOULDER], px[0, Landmark.LEFT_ELBOW] = (545, 319), (622, 323)
    px[0, Landmark.RIGHT_SHOULDER], px[0, Landmark.RIGHT_ELBOW] = (453, 329), (375, 316)
    px[0, Landmark.LEFT_HIP], px[0, Landmark.RIGHT_HIP] = (520, 476), (467, 471)
    assert elevation_curve(px, side="left", line="same_side").angle_deg[0] == pytest.approx(96.07, abs=0.01)
    midline = elevation_curve(px, side="left")
    assert midline.angle_deg[0] == pytest.approx(89.13, abs=0.01)
    assert midline.vertical_deg[0] == pytest.approx(87.03, abs=0.01)


def test_a_raise_past_the_vertical_goes_on_without_a_fold():
    true = np.linspace(-20, 200, 221)
    arm = np.stack([np.sin(np.radians(true)), np.cos(np.radians(true))], axis=1) * 80
    down = np.tile([0.0, 150.0], (221, 1))
    np.testing.assert_allclose(elevation_of_vectors(arm, down, outward=1).angle_deg, true, atol=1e-9)
    np.testing.assert_allclose(elevation_of_vectors(arm * [-1, 1], down, outward=-1).angle_deg, true, atol=1e-9)


@pytest.mark.parametrize(("side", "lean"), [("left", 8.0), ("right", -8.0)])
def test_lean_counts_towards_the_arm_that_moves(draw, side, lean):
    seen = draw(elevation_deg=np.full(3, 60.0), side=side, lean_deg=8.0, distance_m=None)  # to the viewer's right
    out = elevation_curve(seen.px, side=side)
    np.testing.assert_allclose(out.lean_deg, lean, atol=1e-6)
    np.testing.assert_allclose(out.vertical_deg - out.angle_deg, -lean, atol=1e-6)


def test_trunk_line_of_one_side_needs_the_side():
    with pytest.raises(ValueError, match="`side`"):
        trunk_down_px(np.zeros((1, 33, 2)), line="same_side")
