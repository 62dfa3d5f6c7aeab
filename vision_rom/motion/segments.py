"""From arm paths to named segments, and from an expected order to firmer names and to what is missing."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from vision_rom.angles.arm_path import ArmPath
from vision_rom.handover import SIDES, Bools, Floats, Segment, Step, View
from vision_rom.motion.excursions import (
    LEAVES_REST_DEG,
    LEAVES_REST_FROM_BEHIND_DEG,
    SURELY_MOVES_DEG,
    SURELY_MOVES_FROM_BEHIND_DEG,
    departure_deg,
    elbow_way,
    excursions,
    resting_reach,
)
from vision_rom.motion.naming import UNKNOWN, Name, name_of, shape_of
from vision_rom.motion.recognition import NEAR_SIDE

HANGS_BELOW_DEG, STRAIGHT_BELOW_DEG = 20.0, 40.0
"""An arm that the closer look finds so low and so straight all the time has not moved: the pose network lost it for a while."""
BEHIND_BACK: Final = "hand_behind_back"
PathBetween = Callable[[float, float], ArmPath]
"""Gives the path of an arm between two times, both included"""
REACHES_JOINED_BELOW_S = 3.5
EQUAL_JOINED_BELOW_S = 0.6
CONFUSED_SHARE = 0.35
"""Where left and right were confused in more of the pictures than this, no name is given."""


def segments_of(
    rough: ArmPath,
    closer: PathBetween,
    view: View,
    *,
    exchanged: Bools | None = None,
    allowed: Sequence[str] | None = None,
) -> tuple[Segment, ...]:
    """Return the named segments of one arm in a stretch of a recording.

    From the side the far arm is hidden by the trunk: nothing is said of it. An excursion that lasts into a turn is left
    unnamed, since only part of it was seen.

    Parameters
    ----------
    rough : the arm in the whole stretch, by the pose network's own metres, which know no context.
    closer : gives the arm between two times by the arm network. That network knows a picture by its recording, and it learned from
        recordings of one movement each, so it is asked for each excursion alone.
    exchanged : (n,) pictures in which left and right had been confused.
    allowed : movements to choose among.

    """
    near = NEAR_SIDE.get(view)
    if (near is not None and near != rough.side) or not np.isfinite(rough.upper_arm).any():
        return ()
    away, elbow, reach = departure_deg(rough), elbow_way(rough), resting_reach(rough)
    behind = view == "back"
    limits = {
        "surely_deg": SURELY_MOVES_FROM_BEHIND_DEG if behind else SURELY_MOVES_DEG,
        "leaves_deg": LEAVES_REST_FROM_BEHIND_DEG if behind else LEAVES_REST_DEG,
    }
    found = []
    for one in excursions(rough, away, **limits):
        inside = slice(one.first, one.last + 1)
        start_s, end_s = float(rough.time_s[one.first]), float(rough.time_s[one.last])
        shape = shape_of(closer(start_s, end_s), away[inside], elbow[inside], reach)
        if shape.elevation < HANGS_BELOW_DEG and shape.elbow_most < STRAIGHT_BELOW_DEG:
            continue
        name = name_of(shape, view, allowed=allowed)
        confused = exchanged is not None and float(exchanged[inside].mean()) > CONFUSED_SHARE
        if one.cut_start or one.cut_end or confused:
            name = Name((UNKNOWN,) * len(name.best), name.confidence, name.best)
        for movement, best in zip(name.movements, name.best, strict=False):
            found.append(Segment(movement, rough.side, one.start_s, one.end_s, view, name.confidence, best))
    return tuple(found)


def one_hand_behind_back(segments: Sequence[Segment]) -> tuple[Segment, ...]:
    """Leave one of two hands that are said to be behind the back at the same time: the one that is surer.

    From behind, the pose network often moves the resting arm along with the one that disappears.
    """
    hands = [one for one in segments if one.best_guess == BEHIND_BACK]
    doubtful = {
        id(one)
        for one in hands
        for other in hands
        if one.side != other.side
        and min(one.end_s, other.end_s) - max(one.start_s, other.start_s) > 0.5 * (one.end_s - one.start_s)
        and (one.confidence, one.side) < (other.confidence, other.side)
    }
    return tuple(one for one in segments if id(one) not in doubtful)


def joined_parts(segments: Sequence[Segment]) -> tuple[Segment, ...]:
    """Join what is one segment: equal names with hardly a rest between, and reaches behind the back that follow each other.

    Between two reaches the hand stays on the buttock, which is near rest.
    """
    joined: list[Segment] = []
    for one in segments:
        before = next((place for place, other in enumerate(joined) if _continues(other, one)), None)
        if before is None:
            joined.append(one)
        else:
            joined[before] = replace(joined[before], end_s=one.end_s)
    return tuple(joined)


def _continues(before: Segment, after: Segment) -> bool:
    if before.movement != after.movement or before.side != after.side or after.movement == UNKNOWN:
        return False
    longest_s = REACHES_JOINED_BELOW_S if after.movement == BEHIND_BACK else EQUAL_JOINED_BELOW_S
    return 0 < after.start_s - before.end_s < longest_s


def named_by_order(segments: Sequence[Segment], order: Sequence[Step]) -> tuple[Segment, ...]:
    """Give unknown segments the name that the expected order leaves them, where their best guess agrees.

    A segment is named so only if the nearest named segments before and after it stand in the order with exactly this
    movement of this side between them, or beside it.
    """
    wanted = [(step.movement, side) for step in order for side in step.sides]
    named = list(segments)
    for place, one in enumerate(named):
        key = (one.best_guess, one.side)
        if one.movement != UNKNOWN or key not in wanted:
            continue
        at = wanted.index(key)
        before = [wanted.index((s.movement, s.side)) for s in named[:place] if (s.movement, s.side) in wanted]
        after = [wanted.index((s.movement, s.side)) for s in named[place + 1 :] if (s.movement, s.side) in wanted]
        fits_before = not before or before[-1] <= at <= before[-1] + 2
        fits_after = not after or at <= after[0] <= at + 2
        if (before or after) and fits_before and fits_after:
            named[place] = replace(one, movement=one.best_guess)
    return tuple(named)


def missing_steps(segments: Sequence[Segment], order: Sequence[Step]) -> tuple[Step, ...]:
    """Return what the order expects and no segment shows, each side apart."""
    shown = {(one.movement, one.side) for one in segments}
    return tuple(
        Step(step.movement, side) for step in order for side in step.sides if (step.movement, side) not in shown
    )


def one_sided(segments: Sequence[Segment]) -> tuple[Step, ...]:
    """Return the other side of each movement that only one side shows, where there is no order to compare with."""
    shown = {(one.movement, one.side) for one in segments if one.movement != UNKNOWN}
    movements = dict.fromkeys(movement for movement, _ in sorted(shown))
    return tuple(Step(movement, side) for movement in movements for side in SIDES if (movement, side) not in shown)


def rest_between(segments: Sequence[Segment], duration_s: float) -> Floats:
    """Return (k, 2) the times in which neither arm moved."""
    edges = [(0.0, 0.0), *sorted((one.start_s, one.end_s) for one in segments), (duration_s, duration_s)]
    rests, until = [], 0.0
    for start_s, end_s in edges:
        if start_s > until:
            rests.append((until, start_s))
        until = max(until, end_s)
    return np.array(rests, np.float64).reshape(-1, 2)
