"""The plain angle by geometry."""

from __future__ import annotations

import numpy as np
import pytest

from vision_rom.handover import Landmark, PoseModel, PoseTrack, Side
from vision_rom.proof.baseline import hip_shoulder_elbow_deg, largest_angle_deg


def landmarks(angles_deg: list[float], side: Side, turn_deg: float = 0.0) -> np.ndarray:
    """A trunk that points down and an arm at the given angles from it, the whole turned in the picture."""
    points = np.full((len(angles_deg), 33, 3), np.nan)
    for row, angle in zip(points, np.radians(angles_deg), strict=True):
        row[Landmark.of(side, "shoulder")] = 100, 100, 0
        row[Landmark.of(side, "hip")] = 100, 150, 0
        row[Landmark.of(side, "elbow")] = 100 + 30 * np.sin(angle), 100 + 30 * np.cos(angle), 0
    turn = np.radians(turn_deg)
    rotation = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    return points @ rotation.T


@pytest.mark.parametrize("turn_deg", [0.0, 37.0, -120.0])
@pytest.mark.parametrize("side", ["left", "right"])
def test_angle_is_that_of_the_drawn_arm(side: Side, turn_deg: float) -> None:
    drawn = [0.0, 30.0, 90.0, 175.0]
    np.testing.assert_allclose(hip_shoulder_elbow_deg(landmarks(drawn, side, turn_deg), side=side), drawn, atol=1e-9)


def test_largest_passes_over_what_was_not_seen() -> None:
    points = landmarks([10.0, 80.0, 40.0], "left")
    points[1] = np.nan
    assert largest_angle_deg(track_of(points), side="left") == pytest.approx(40.0)
    assert np.isnan(largest_angle_deg(track_of(points), side="right"))


def track_of(points: np.ndarray) -> PoseTrack:
    n = len(points)
    return PoseTrack(
        time_s=np.arange(n) / 30,
        frame_index=np.arange(n),
        landmarks_px=points,
        visibility=np.ones((n, 33)),
        world_m=points,
        width_px=384,
        height_px=512,
        model=PoseModel("full", "0" * 64, "none"),
    )
