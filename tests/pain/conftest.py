"""A raise of known speed: up at an even speed, held, and down again."""

from __future__ import annotations

import numpy as np
import pytest

from vision_rom.handover import AngleCurve, Repetition, SmoothCurve

UP_S, HELD_S, DOWN_S = 4.0, 1.0, 4.0
TOP_DEG = 160.0


@pytest.fixture
def curve() -> SmoothCurve:
    """From rest at 1 s to 160 degrees at 5 s, held to 6 s, at rest again at 10 s: 40 degrees a second."""
    time_s = np.arange(0, 11, 1 / 30)
    angle = np.interp(time_s, [1, 5, 6, 10], [0, TOP_DEG, TOP_DEG, 0])
    source = AngleCurve("abduction", "right", time_s, angle, angle, np.ones_like(angle))
    speed = np.gradient(angle, time_s)
    trusted = np.ones(len(time_s), bool)
    return SmoothCurve(source, time_s, angle, angle, speed, trusted, ~trusted, 0.37, 3)


@pytest.fixture
def repetition() -> Repetition:
    return Repetition(1.0, 5.5, 10.0, TOP_DEG, TOP_DEG, 0.0, 40.0, (156.0, 164.0), 5.25, 5.75)
