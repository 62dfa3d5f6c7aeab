"""Every picture seen in a mirror too, so that what the network does otherwise on the left than on the right cancels.

A landmark network errs by some pixels, always to the same side for one person in one posture, and to the other side where it is
shown the picture mirrored. The mean of both is nearer to the truth (``tests/pose/mirror``). At 30 pictures a second the ways take
turns, each picture is completed by what its neighbours showed in the other way, and no look more is needed. Where pictures lie
so far apart that an arm goes a long way between them, each is looked at in both ways.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, Literal

import numpy as np

from vision_rom.handover import Bools, Floats

Way = Literal["as it is", "mirrored", "both"]

IN_TURNS_S: Final = 0.045
"""Pictures no further apart take turns. An arm that speeds up by 500 degrees per second squared is then off its neighbours' middle by 0.25
degrees at most. Our own choice."""

_ROWS_AT_A_TIME: Final = 4096


class Turns:
    """Chooses how each picture of a recording is looked at, from its time alone."""

    def __init__(self) -> None:
        """Begin before the first picture."""
        self._last_s = -float("inf")
        self._last: Way = "mirrored"

    def next(self, time_s: float) -> Way:
        """Return the way for the picture at this time; times must increase."""
        near = time_s - self._last_s <= IN_TURNS_S
        self._last_s = time_s
        if near:
            self._last = "as it is" if self._last == "mirrored" else "mirrored"
            return self._last
        return "both"


def completed(time_s: Floats, ways: Sequence[Way], values: Floats) -> Floats:
    """Return values (n, ...) in which both ways count alike.

    Parameters
    ----------
    time_s
        (n,) strictly increasing.
    ways
        n of them: how each picture was looked at.
    values
        (n, ...) what was found; NaN rows where nothing was.

    A picture that was looked at in one way gets the mean of itself and of its neighbours in the other way, taken to its own
    time. With one such neighbour alone it is taken with that one; without any it stays as it is.

    """
    single: Bools = np.array([way != "both" for way in ways], np.bool_)
    mirrored: Bools = np.array([way == "mirrored" for way in ways], np.bool_)
    flat = values.reshape(len(values), int(np.prod(values.shape[1:])))
    found: Bools = np.asarray(np.isfinite(flat).any(axis=1))
    near: Bools = np.diff(time_s) <= IN_TURNS_S
    # (n - 1,) two pictures beside each other that complete each other
    pair = near & single[:-1] & single[1:] & (mirrored[:-1] != mirrored[1:]) & found[:-1] & found[1:]
    # in the values' own precision: an hour's landmarks are large
    before, after = (one.astype(flat.dtype) for one in _share_of_neighbours(time_s, pair))
    total = flat.copy()
    total[(before > 0) | (after > 0)] *= 0.5
    for share, step in ((before, -1), (after, 1)):
        rows = np.flatnonzero(share)
        for some in np.array_split(rows, len(rows) // _ROWS_AT_A_TIME + 1):
            total[some] += share[some, None] * flat[some + step]
    return total.reshape(values.shape)


def _share_of_neighbours(time_s: Floats, pair: Bools) -> tuple[Floats, Floats]:
    """Return how much the picture before and the one after count for each, (n,) and (n,)."""
    count = len(time_s)
    before, after = np.zeros(count), np.zeros(count)
    has_before, has_after = np.zeros(count, np.bool_), np.zeros(count, np.bool_)
    has_before[1:], has_after[:-1] = pair, pair
    gap = np.diff(time_s)
    to_before, to_after = np.ones(count), np.ones(count)
    to_before[1:], to_after[:-1] = gap, gap
    both = has_before & has_after
    before[both] = 0.5 * (to_after / (to_before + to_after))[both]
    after[both] = 0.5 * (to_before / (to_before + to_after))[both]
    before[has_before & ~has_after] = 0.5
    after[has_after & ~has_before] = 0.5
    return before, after
