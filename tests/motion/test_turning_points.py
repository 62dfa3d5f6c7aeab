"""Hysteresis. Truth: curves short enough to read, and what every answer must satisfy."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from vision_rom.motion.turning_points import Swing, swings


def test_by_hand() -> None:
    curve = np.array([0.0, 5, 50, 46, 52, 10, 12, 60, 30])
    assert swings(curve, threshold_deg=20.0) == [Swing(0, 4, 5, True, True), Swing(5, 7, 8, True, True)]
    assert swings(curve, threshold_deg=45.0) == [Swing(0, 7, 8, True, False)]
    assert swings(curve, threshold_deg=61.0) == []


def test_halves_at_the_ends() -> None:
    assert swings(np.array([50.0, 51, 0]), threshold_deg=20.0) == [Swing(0, 1, 2, False, True)]
    assert swings(np.array([0.0, 51, 50]), threshold_deg=20.0) == [Swing(0, 1, 2, True, False)]
    assert swings(np.array([]), threshold_deg=20.0) == []


@given(
    values=st.lists(st.floats(-180, 180), min_size=1, max_size=60).map(np.array),
    threshold=st.floats(1, 90),
)
def test_what_every_answer_satisfies(values: np.ndarray, threshold: float) -> None:
    """Each top is the highest between its bottoms and stands off them by the threshold where they were seen."""
    found = swings(values, threshold_deg=threshold)
    for swing in found:
        assert swing.before <= swing.top <= swing.after
        assert values[swing.top] == values[swing.before : swing.after + 1].max()
        assert not swing.rise_seen or values[swing.top] - values[swing.before] >= threshold
        assert not swing.fall_seen or values[swing.top] - values[swing.after] >= threshold
        assert swing.rise_seen or swing is found[0]
        assert swing.fall_seen or swing is found[-1]
    for one, following in pairwise(found):
        assert one.after == following.before
    if np.ptp(values) >= 2 * threshold:
        assert found
