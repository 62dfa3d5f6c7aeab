"""Names that jump as nobody can turn, on a person who was drawn."""

from __future__ import annotations

import numpy as np
import pytest

from vision_rom.handover import MIRRORED_LANDMARKS, Landmark
from vision_rom.pose.turns import misnamed_turns

RATE_HZ = 15.0


def turning(yaw_deg: np.ndarray) -> np.ndarray:
    """Shoulders and hips of a person seen at a turn over time: 0 faces the camera."""
    points = np.zeros((len(yaw_deg), len(Landmark), 3))
    for part, half, y in (("shoulder", 38.0, 100.0), ("hip", 22.0, 200.0)):
        for side, sign in (("left", 1.0), ("right", -1.0)):
            points[:, Landmark.of(side, part), 0] = 300 + sign * half * np.cos(np.radians(yaw_deg))
            points[:, Landmark.of(side, part), 1] = y
    return points


def test_a_person_who_turns_slowly_is_believed():
    yaw = np.interp(np.arange(0, 12, 1 / RATE_HZ), [0, 4, 6, 12], [0, 0, 180, 180])
    assert not misnamed_turns(np.arange(len(yaw)) / RATE_HZ, turning(yaw)).any()


@pytest.mark.parametrize("morphing", [0, 1, 2])
def test_a_flip_and_back_is_misnamed_between(morphing):
    """Also where the names cross over some pictures, so that no landmark jumps."""
    points = turning(np.zeros(150))
    order = list(MIRRORED_LANDMARKS)
    flipped = points.copy()
    flipped[60:90] = points[60:90][:, order]
    for step in range(morphing):
        share = (step + 1) / (morphing + 1)
        flipped[60 + step] = (1 - share) * points[60] + share * points[60][order]
        flipped[89 - step] = flipped[60 + step]
    found = misnamed_turns(np.arange(150) / RATE_HZ, flipped)
    assert found[62:88].all()
    assert not found[:58].any()
    assert not found[92:].any()


def test_seen_from_the_side_the_names_mean_nothing_here():
    rng = np.random.default_rng(2)
    points = turning(np.full(200, 90.0)) + rng.normal(0, 2, (200, len(Landmark), 3))
    assert not misnamed_turns(np.arange(200) / RATE_HZ, points).any()


def test_nobody_is_misnamed():
    points = np.full((30, len(Landmark), 3), np.nan)
    assert not misnamed_turns(np.arange(30) / RATE_HZ, points).any()
