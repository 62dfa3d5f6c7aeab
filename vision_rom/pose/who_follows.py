"""Who of two people shows the movements and who copies them: the one whose arms move later follows."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from vision_rom.handover import Floats, Landmark

_GRID_HZ: Final = 5.0
_LONGEST_LAG_S: Final = 12.0
_SHORTEST_LAG_S: Final = 0.6
"""A person who copies comes in after the other by more than the time to react, and within one movement's length."""
_LEAST_LIKENESS: Final = 0.3
"""Correlation of the two people's arm heights, shifted by the lag, from which one copies the other. Our own choice."""

_HANDS: Final = (Landmark.LEFT_WRIST, Landmark.RIGHT_WRIST)


def hand_height(landmarks_px: NDArray[np.floating[Any]]) -> Floats:
    """Return how high (n,) the higher hand is held, in trunk lengths above the hips; NaN where nobody was found."""
    shoulders = landmarks_px[:, [Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER], 1].mean(axis=1)
    hips = landmarks_px[:, [Landmark.LEFT_HIP, Landmark.RIGHT_HIP], 1].mean(axis=1)
    trunk = np.maximum(np.abs(hips - shoulders), 1.0)
    return np.asarray((hips - landmarks_px[:, _HANDS, 1].min(axis=1)) / trunk)


def lag_s(first_time_s: Floats, first: Floats, second_time_s: Floats, second: Floats) -> tuple[float, float]:
    """Return by how many seconds the second person's hands come after the first's, and how alike the two are then.

    Two NaN where there is too little in common to tell.
    """
    # slow to load, and needed only after the pictures were looked at
    from scipy.signal import correlate, correlation_lags

    start, end = max(first_time_s[0], second_time_s[0]), min(first_time_s[-1], second_time_s[-1])
    grid = np.arange(start, end, 1.0 / _GRID_HZ)
    if len(grid) < 2 * _GRID_HZ * _LONGEST_LAG_S / 2:
        return float("nan"), float("nan")
    a, b = (
        _centred(np.interp(grid, time, values)) for time, values in ((first_time_s, first), (second_time_s, second))
    )
    size = float(np.linalg.norm(a) * np.linalg.norm(b))
    if not size > 0:
        return float("nan"), float("nan")
    likeness = correlate(b, a) / size
    lags = correlation_lags(len(b), len(a)) / _GRID_HZ
    possible = np.abs(lags) <= _LONGEST_LAG_S
    best = int(np.flatnonzero(possible)[likeness[possible].argmax()])
    return float(lags[best]), float(likeness[best])


def follower_of(time_s: Sequence[Floats], heights: Sequence[Floats]) -> int | None:
    """Return which person copies another, by number; None where nobody can be said to.

    Parameters
    ----------
    time_s, heights
        For each person the times (n,) at which they were seen and :func:`hand_height` then; no NaN.

    """
    found: dict[int, float] = {}
    for one in range(len(heights)):
        for other in range(one + 1, len(heights)):
            lag, likeness = lag_s(time_s[one], heights[one], time_s[other], heights[other])
            if likeness >= _LEAST_LIKENESS and abs(lag) >= _SHORTEST_LAG_S:
                who = other if lag > 0 else one
                found[who] = max(found.get(who, 0.0), likeness)
    return max(found, key=lambda who: found[who]) if found else None


def _centred(values: Floats) -> Floats:
    return values - float(values.mean())
