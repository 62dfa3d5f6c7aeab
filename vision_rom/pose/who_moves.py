"""Who of several people is none: a statue or a picture keeps its arms still, and a reflection moves in step with somebody.

Lengths are counted in trunks, as in :mod:`vision_rom.pose.follow`. The limits are our own choice, set on rendered people; no source.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from vision_rom.handover import Floats, Landmark

STILL_TRUNKS: Final = 0.25
"""Arms that stay within this keep still: a network's jitter on a statue is less"""
MOVES_TRUNKS: Final = 0.6
"""An arm that goes further than this moves: an elbow that is raised by 60 degrees goes 0.6 trunks"""
IN_STEP: Final = 0.97
"""Correlation of the heights of hands, at the same instant, from which two move in step. Who copies comes later."""
_OUTER: Final = 0.05
"""Share of the pictures at either end that is left out of how far an arm goes"""
_LEAST_PICTURES: Final = 10
_ARMS: Final = (Landmark.LEFT_ELBOW, Landmark.RIGHT_ELBOW, Landmark.LEFT_WRIST, Landmark.RIGHT_WRIST)
_HIPS: Final = (Landmark.LEFT_HIP, Landmark.RIGHT_HIP)


def arm_places(landmarks_px: NDArray[np.floating[Any]], sizes_px: Floats) -> Floats:
    """Return where elbows and wrists of people are, (k, 4, 2), from the middle of the hips, in trunks.

    Parameters
    ----------
    landmarks_px
        (k, 33, 2 or 3).
    sizes_px
        (k,) as from :func:`vision_rom.pose.follow.places_and_sizes`.

    """
    hips = landmarks_px[:, _HIPS, :2].mean(axis=1, keepdims=True)
    return np.asarray((landmarks_px[:, _ARMS, :2] - hips) / sizes_px[:, None, None], np.float64)


def furthest_trunks(places: Floats) -> float:
    """Return how far the arm that goes furthest goes, of one person's :func:`arm_places` over time (n, 4, 2)."""
    # one number at a time: the quantile copies what it looks at
    low, high = np.array(
        [np.quantile(one, [_OUTER, 1.0 - _OUTER]) for one in places.reshape(len(places), -1).T]
    ).T.reshape(2, *places.shape[1:])
    return float(np.linalg.norm(high - low, axis=-1).max())


def move_in_step(one_s: Floats, one: Floats, other_s: Floats, other: Floats) -> bool:
    """Tell whether two people raise and lower their hands together.

    Parameters
    ----------
    one_s, other_s
        Times (n,) and (m,) at which each was seen.
    one, other
        :func:`vision_rom.pose.who_follows.hand_height` then; no NaN.

    """
    _, mine, theirs = np.intersect1d(one_s, other_s, return_indices=True)
    if len(mine) < _LEAST_PICTURES:
        return False
    a, b = one[mine], other[theirs]
    if min(np.ptp(a), np.ptp(b)) < MOVES_TRUNKS:
        return False
    return bool(np.corrcoef(a, b)[0, 1] >= IN_STEP)
