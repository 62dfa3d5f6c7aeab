"""The hand signal: the patient holds the hand of the arm that is not measured up beside the head while it hurts.

A hand is up where the wrist is at its shoulder's height or above, the elbow hangs below the shoulder and is well bent, and the hand keeps still. So an
arm that is raised like the measured one (elbow at shoulder height or above), a hand that scratches the head (the elbow comes up or
the hand shakes), and hands on the hips are no signal. The mark begins where the hand sets out and ends where it sets out to
go down, since those instants, and not the posture, follow the pain.
"""

from __future__ import annotations

import itertools

import numpy as np

from vision_rom.angles.vectors import angle_between_deg
from vision_rom.handover import Bools, Floats, Landmark, PoseTrack, Side, other_side
from vision_rom.pain.marks import PainMark
from vision_rom.pain.posture import trunk_length_px

WRIST_ABOVE_SHOULDER = -0.12
"""Of the trunk's length in the picture: the wrist is up when it is at the height of its shoulder, or lower by no more than this; a
forearm that is folded fully brings it no higher."""
ELBOW_BELOW_SHOULDER = 0.12
"""The same: the elbow of a signalling arm hangs at least this far below the shoulder."""
BENT_BELOW_DEG = 80.0
"""Angle at the elbow in the picture, 180 is straight."""
SHORTEST_S = 0.4
"""A posture held for less is none."""
SHORTEST_BREAK_S = 0.25
"""Two signals that are nearer than this are one."""
LONGEST_BREAK_S = 4.0
STAYS_WITHIN = 0.1
"""Trunk lengths below the height of a signal at which a hand in a break still counts as up."""
STILL_WITHIN = 0.12
"""Trunk lengths by which the hand may stray while it signals; a scratching or waving hand strays more."""
FASTEST_SHAKE = 1.5
"""Trunk lengths a second, median speed of the hand while it signals."""
EARLY_SHARE, LATE_SHARE = 0.1035, 0.75
"""Of its height a hand has made at three times of its way: at these two, and at half. The first is 10 t^3 - 15 t^4 + 6 t^5 at t = 1/4."""
HALF_UP, HALF_DOWN = 0.526, 0.474
"""After this share of its time a hand is at half of its height: the joints turn it upwards last and downwards first."""
BETWEEN_UP, BETWEEN_DOWN = 0.310, 0.308
"""This share of its time lies between the early and the late one. All four from the postures of rendered people, without a camera
(``synthetic/choreography.py``; three people at four speeds differ by 0.002), where the hand's way is near one of minimum jerk
(Flash and Hogan 1985, J Neurosci 5:1688)."""
LONGEST_WAY_S = 1.2
"""The hand's way up or down takes no longer."""
USUAL_WAY_S = 0.6
"""The same, where most of it is hidden. Our own choice, no source."""
PLATEAU_FROM_S, PLATEAU_TO_S = 0.25, 0.9
"""The height of the hand up there is taken so long after it came and before it went: over a long signal it sinks."""
LEAST_VISIBILITY = 0.5
"""Of a hand that is up; on its way from behind the body it may be as good as hidden"""


def hand_signal_marks(track: PoseTrack, *, measured: Side) -> tuple[PainMark, ...]:
    """Return a mark for every time that the other hand was held up; none where that hand is out of view.

    Parameters
    ----------
    track
        Landmarks of the patient.
    measured
        The side that is measured; the other hand signals.

    """
    side = other_side(measured)
    shoulder, elbow, wrist = (
        track.landmarks_px[:, Landmark.of(side, part), :2] for part in ("shoulder", "elbow", "wrist")
    )
    seen = np.asarray(np.isfinite(track.landmarks_px).all(axis=(1, 2)))
    for part in ("elbow", "wrist"):
        seen &= np.nan_to_num(track.visibility[:, Landmark.of(side, part)]) >= LEAST_VISIBILITY
    if not seen.any():
        return ()
    trunk = trunk_length_px(track)
    height = (shoulder[:, 1] - wrist[:, 1]) / trunk
    hangs = (elbow[:, 1] - shoulder[:, 1]) / trunk
    up = (
        seen
        & (height > WRIST_ABOVE_SHOULDER)
        & (hangs > ELBOW_BELOW_SHOULDER)
        & (angle_between_deg(shoulder - elbow, wrist - elbow) < BENT_BELOW_DEG)
    )
    hand = (wrist - shoulder) / trunk
    marks = []
    found = np.isfinite(height)
    for first, last in _runs(track.time_s, up, height):
        time = track.time_s[first : last + 1]
        if not _still(hand[first : last + 1], time, _told(time, up[first : last + 1])):
            continue
        last = _stays_up(height, last)
        start_s = _set_out_s(track.time_s, height, found, first, last, step=-1)
        end_s = _set_out_s(track.time_s, height, found, last, first, step=1)
        marks.append(PainMark(start_s, end_s, float("nan"), "hand signal"))
    return tuple(marks)


def _runs(time_s: Floats, up: Bools, height: Floats) -> list[tuple[int, int]]:
    """Return first and last index of every time the hand was up for long enough.

    Short breaks are bridged; so are longer ones between two such times in which the hand never came down: the other arm that
    passes before it takes its landmarks along.
    """
    runs: list[tuple[int, int]] = []
    for index in np.flatnonzero(up):
        if runs and time_s[index] - time_s[runs[-1][1]] <= SHORTEST_BREAK_S:
            runs[-1] = (runs[-1][0], int(index))
        else:
            runs.append((int(index), int(index)))
    joined: list[tuple[int, int]] = []
    for first, last in runs:
        if time_s[last] - time_s[first] < SHORTEST_S:
            continue
        before = joined[-1][1] if joined else first
        stayed_up = bool((height[before : first + 1] > WRIST_ABOVE_SHOULDER - STAYS_WITHIN).all())
        if joined and stayed_up and time_s[first] - time_s[before] <= LONGEST_BREAK_S:
            joined[-1] = (joined[-1][0], last)
        else:
            joined.append((first, last))
    return joined


def _stays_up(height: Floats, last: int) -> int:
    """Return the last index before the hand comes down: an elbow that is hidden no longer tells, but the hand still does."""
    below = np.flatnonzero(~(height[last:] > WRIST_ABOVE_SHOULDER - STAYS_WITHIN))
    return last + int(below[0]) - 1 if below.size else last


def _told(time_s: Floats, up: Bools) -> Bools:
    """Return the pictures (n,) that tell whether a hand is still: all but those of long breaks.

    In a short break a hand that waves or scratches shakes; in a long one its landmarks went along with the other arm.
    """
    told = up.copy()
    rows = np.flatnonzero(up)
    for before, after in itertools.pairwise(rows):
        if time_s[after] - time_s[before] <= SHORTEST_BREAK_S:
            told[before:after] = True
    return told


def _still(hand: Floats, time_s: Floats, told: Bools) -> bool:
    """Tell whether the hand stays in its place; the ways up and down at both ends and long breaks are left out."""
    inside = (time_s >= time_s[0] + 0.15) & (time_s <= time_s[-1] - 0.15) & told
    if inside.sum() < 3:
        return True
    there, when = hand[inside], time_s[inside]
    stray = np.percentile(np.linalg.norm(there - np.median(there, axis=0), axis=1), 80)
    steps, pauses = np.linalg.norm(np.diff(there, axis=0), axis=1), np.diff(when)
    together = pauses < 2 * np.median(pauses)
    # the median: the other arm that passes before it throws the landmarks about for a moment, a hand that shakes goes on
    speed = np.median(steps[together] / pauses[together])
    return bool(stray <= STILL_WITHIN and speed <= FASTEST_SHAKE)


def _set_out_s(time_s: Floats, height: Floats, seen: Bools, edge: int, other: int, *, step: int) -> float:
    """Return when the hand left the place it came from (``step`` -1, before ``edge``), or its place up there (+1).

    How long the hand took follows from the time between an early and a late share of its height, and where it set out from its time at
    half, where it is fastest: that is sharper than looking for the first movement in the noise, or in landmarks that
    the other arm took along.
    """
    low_index = index = edge
    while (
        0 <= index + step < len(time_s)
        and seen[index + step]
        and abs(time_s[index + step] - time_s[edge]) < LONGEST_WAY_S
    ):
        index += step
        if height[index] < height[low_index]:
            low_index = index
    inside = slice(min(edge, other), max(edge, other) + 1)
    since_s = np.abs(time_s[inside] - time_s[edge])
    near = (since_s >= PLATEAU_FROM_S) & (since_s <= PLATEAU_TO_S)
    held, low = float(np.median(height[inside][near] if near.any() else height[inside])), float(height[low_index])
    up = held - low
    if step < 0:
        # from above: before it set out the hand may have swayed
        late_s, half_s, early_s = (
            _falls_below_s(time_s, height, edge, low_index, low + share * up)
            for share in (LATE_SHARE, 0.5, EARLY_SHARE)
        )
        way_s = (late_s - early_s) / BETWEEN_UP
        if way_s > LONGEST_WAY_S:
            # the hand came out from behind the body, where its landmarks wander: only the upper half of its way was seen
            way_s = USUAL_WAY_S
        return float(half_s - HALF_UP * way_s)
    # the first fall below half counts, and what led to it: once it is down and hidden, the hand's landmarks wander
    half_s, late_s = (_falls_below_s(time_s, height, edge, low_index, held - share * up) for share in (0.5, LATE_SHARE))
    fallen = int(np.searchsorted(time_s, half_s))
    early_s = _crossing_s(time_s, height, other, fallen, held - EARLY_SHARE * up)
    return float(half_s - HALF_DOWN * (late_s - early_s) / BETWEEN_DOWN)


def _falls_below_s(time_s: Floats, height: Floats, high: int, low: int, level: float) -> float:
    """Return when the height falls below a level on the way from the high to the low index, between pictures."""
    step = 1 if low > high else -1
    index = high
    while index != low and height[index + step] > level:
        index += step
    return _between_s(time_s, height, index, index + step, level) if index != low else float(time_s[low])


def _crossing_s(time_s: Floats, height: Floats, high: int, low: int, level: float) -> float:
    """Return when the height crosses a level between the low and the high index, nearest to the low one, between pictures."""
    step = 1 if high > low else -1
    index = low
    while index != high and height[index + step] < level:
        index += step
    return _between_s(time_s, height, index, index + step, level) if index != high else float(time_s[high])


def _between_s(time_s: Floats, height: Floats, one: int, other: int, level: float) -> float:
    apart = height[other] - height[one]
    share = (level - height[one]) / apart if apart else 0.0
    return float(time_s[one] + share * (time_s[other] - time_s[one]))
