"""Pictures that need not be looked at, since hardly anything moved between those before and after them.

About ten pictures a second are always looked at. Where nobody's arms, trunk or head moved from one of these to the next by more than the
networks err from picture to picture anyway, what they would say of the pictures in between lies between what they said of
the two, and is put there as a straight line in time. A faster movement, somebody who comes, goes or is taken for another, and left and
right exchanged all show as a larger movement, and then every picture is looked at.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any, Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from vision_rom.handover import Bools, Floats, Frame, Landmark, StoredFrame
from vision_rom.pose.follow import places_and_sizes
from vision_rom.pose.landmarker import People
from vision_rom.spool import blocks, empty

AnyFrame = Frame | StoredFrame
_Frame = TypeVar("_Frame", Frame, StoredFrame, AnyFrame)
_Numbers = TypeVar("_Numbers", bound=np.floating[Any])

FURTHEST_APART_S: Final = 0.1
"""Of two pictures that are looked at whatever happens. An arm that speeds up at 2 m/s2, which is brisk, is then nowhere further than 2.5 mm
from a straight line between the two (half of the acceleration times a quarter of the time squared)."""
_UNEVEN_S: Final = 0.004
"""By how much the times of an even recording may be off"""
MOST_BETWEEN: Final = 3
"""Pictures held until it is known whether they are looked at; a bound on memory for fast recordings."""
MOVED_TRUNKS: Final = 0.05
"""Landmarks further from where they were, as a share of the trunk, moved: some 2.5 cm. Of somebody at rest they lie 0.01 to 0.05 apart
in pictures 0.1 s apart, arms that are raised in two seconds 0.1 to 0.35 (rendered people of no proof)."""
_SAME_WITHIN_SIZES: Final = 0.25
"""Somebody who stands nearer than this to where another stood, as a share of their size, may be the same."""
_WATCHED: Final = [
    landmark.value
    for landmark in Landmark
    if landmark.name.endswith(("SHOULDER", "ELBOW", "WRIST", "HIP", "NOSE", "EAR"))
]
"""What angles rest on, and the head, since faces are hidden where its landmarks are"""


def in_steps(frames: Iterable[_Frame]) -> Iterator[list[_Frame]]:
    """Yield the pictures in groups; the last one of each is to be looked at, those before it only where something moved.

    The first picture is a group of its own. Groups depend on the pictures' times alone.
    """
    from_s = -float("inf")
    held: list[_Frame] = []
    for frame in frames:
        if held and (frame.time_s - from_s > FURTHEST_APART_S + _UNEVEN_S):
            from_s = held[-1].time_s
            yield held
            held = []
        held.append(frame)
        # whatever comes after a picture so far from the last one would be too far
        if frame.time_s - from_s >= FURTHEST_APART_S - _UNEVEN_S or len(held) > MOST_BETWEEN:
            from_s = frame.time_s
            yield held
            held = []
    if held:
        yield held


def hardly_moved(before: People, after: People) -> bool:
    """Say whether two pictures show the same people, none of whose arms, trunks or heads moved by more than the networks err."""
    if len(before) != len(after) or not len(before):
        return len(before) == len(after)
    places, sizes = places_and_sizes(before.landmarks_px)
    later, _ = places_and_sizes(after.landmarks_px)
    same = np.linalg.norm(places[:, None] - later[None], axis=-1) < _SAME_WITHIN_SIZES * sizes[:, None]
    if not ((same.sum(axis=0) == 1).all() and (same.sum(axis=1) == 1).all()):
        return False
    was = before.landmarks_px[:, _WATCHED, :2]
    now = after.landmarks_px[np.argmax(same, axis=1)][:, _WATCHED, :2]
    return bool((np.linalg.norm(now - was, axis=-1) <= MOVED_TRUNKS * sizes[:, None]).all())


def filled(time_s: Floats, looked: Bools, values: NDArray[_Numbers]) -> NDArray[_Numbers]:
    """Return values (m, ...) of the m pictures looked at for all n pictures, on straight lines in time between them.

    Parameters
    ----------
    time_s
        (n,) strictly increasing.
    looked
        (n,) the first and the last are True.
    values
        (m, ...); NaN spreads to the pictures beside it that were not looked at.

    """
    before, after = neighbours(looked)
    times = time_s[looked]
    whole = empty((len(looked), *values.shape[1:]), values.dtype)
    for rows in blocks(len(looked)):
        first, last = before[rows], after[rows]
        step = times[last] - times[first]
        share = np.divide(time_s[rows] - times[first], step, out=np.zeros(len(step)), where=step > 0)
        found = values[first]
        between = ~looked[rows]
        weight = share[between].reshape(-1, *(1,) * (values.ndim - 1)).astype(values.dtype)
        found[between] += weight * (values[last[between]] - found[between])
        whole[rows] = found
    return whole


def neighbours(looked: Bools) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return (n,) which of the pictures looked at, counted from 0, is the last before and the first after each picture, or itself."""
    before = np.cumsum(looked, dtype=np.int64) - 1
    return before, before + ~looked
