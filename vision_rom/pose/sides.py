"""Left and right kept apart over time.

Looking at single pictures, a pose network now and then takes the left arm for the right one, or the whole person for
somebody facing the other way. What it found is right, only under the wrong names. So for each picture one of four
states is chosen: as given, all exchanged, only the arms exchanged, everything but the arms exchanged. The states of
all pictures are chosen together as the most probable path (A. J. Viterbi, "Error bounds for convolutional codes and an
asymptotically optimum decoding algorithm", IEEE Transactions on Information Theory 13(2), 1967), from

- continuity: a landmark stays near where it was in the picture before, by its visibility;
- a preference for what the network says, so that its majority decides where continuity does not;
- the side that faces the camera: where the person is seen from the side, the direction of the face and feet in the
  picture tells which shoulder and hip must be the nearer ones;
- the length of the upper arm: an arm that does not reach its shoulder is the other one.

Turns that nobody could make are undone afterwards (:mod:`vision_rom.pose.turns`), and where the network wavered between
front and back the patient shows the back (:mod:`vision_rom.pose.wavering`). What no picture tells apart stays as the network
gave it. The weights are our own choice, set on rendered people; no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from vision_rom.handover import MIRRORED_LANDMARKS, SIDES, Bools, Floats, Landmark
from vision_rom.pose.turns import misnamed_by_width, shoulder_and_hip_width_px, trunk_lengths_px, usual_length_px
from vision_rom.pose.wavering import settle_wavering
from vision_rom.spool import blocks, by_blocks, empty

AnyFloats = NDArray[np.floating[Any]]

_ARM_PARTS = ("elbow", "wrist", "pinky", "index", "thumb")
_ARMS: Final = tuple(Landmark.of(side, part) for part in _ARM_PARTS for side in SIDES)
_BODY: Final = tuple(point for point in range(len(Landmark)) if point not in _ARMS)
_ARM_PAIRS: Final = (("elbow", 1.0), ("wrist", 1.0), ("index", 0.5))
_BODY_PAIRS: Final = (("shoulder", 1.0), ("hip", 1.0), ("ear", 0.5), ("knee", 0.5), ("ankle", 0.5))

_STATES: Final = np.array([[False, False], [True, True], [False, True], [True, False]])
"""Rows: as given, all, arms, everything but the arms. Columns: body exchanged, arms exchanged."""
_FLIPPED: Final = _STATES[:, None, :] != _STATES[None, :, :]
"""(before, after, columns) what is exchanged from one picture to the next"""
_OPPOSITE: Final = np.array([1, 0, 3, 2])
_PREFERENCE: Final = np.array([0.0, 0.5, 0.7, 1.0])
"""Cost of each state in each picture, in natural logarithms of odds like all costs here."""

_STILL_TRUNKS: Final = 0.06
_MOVING_TRUNKS_S: Final = 1.0
_MOST_PER_POINT: Final = 8.0
"""How far a landmark jitters, how fast it commonly moves, and what its jump costs at most, so that one lost landmark
does not decide."""
_DEPTH_SHARE: Final = 0.5
"""Depth jitters more than the place in the picture, but from the side it is what tells left from right."""
_MEMORY_S: Final = 0.3
"""Continuity over a gap counts less the longer the gap is."""
_SIDE_ON_TRUNKS: Final = 0.12
_FACING_WEIGHT: Final = 0.5
_WEIGHTS_STEP_S: Final = 1.0 / 30.0
_WORTH_TELLING: Final = 0.05
"""Share of pictures"""


@dataclass(frozen=True, slots=True)
class Sided:
    """Landmarks whose left and right keep their identity."""

    landmarks_px: Floats
    """(n, 33, 3)"""
    visibility: Floats
    """(n, 33)"""
    world_m: Floats
    """(n, 33, 3)"""
    exchanged: Bools
    """(n,) some left and right were exchanged by continuity; not where the span was settled whole"""
    remarks: tuple[str, ...] = ()


def keep_sides(time_s: Floats, landmarks_px: AnyFloats, visibility: AnyFloats, world_m: AnyFloats) -> Sided:
    """Exchange left and right where the network confused them.

    Parameters
    ----------
    time_s
        (n,) strictly increasing.
    landmarks_px, visibility, world_m
        (n, 33, 3), (n, 33) and (n, 33, 3) as the network gave them; NaN rows where the patient was not found.

    """
    states = side_states(time_s, landmarks_px, visibility)
    trunks = by_blocks(
        len(time_s),
        lambda rows: np.column_stack(
            [one(exchange(landmarks_px[rows], states[rows])) for one in (shoulder_and_hip_width_px, trunk_lengths_px)]
        ),
    )
    wrong = misnamed_by_width(time_s, trunks[:, 0], trunks[:, 1])
    del trunks
    # 0 as given and 1 all exchanged are each other's opposite, as are 2 and 3
    states = np.where(wrong, _OPPOSITE[states], states)
    wavering = settle_wavering(time_s, landmarks_px)
    states = np.where(wavering.settled, wavering.front.astype(np.int64), states)
    wrong = np.where(wavering.settled, wavering.front, wrong)
    exchanged = states != 0
    found = np.isfinite(landmarks_px[:, Landmark.LEFT_SHOULDER, 0])
    share = float(exchanged[found].mean()) if found.any() else 0.0
    remark = (
        f"Left and right were hard to tell apart: the network confused them in {share:.0%} of the pictures, which was "
        "mended by continuity. Check on the picture of the result that the right side was measured."
    )
    remarks = [remark] if share > _WORTH_TELLING else []
    mixed = float(wavering.mixed[found].mean()) if found.any() else 0.0
    if mixed > _WORTH_TELLING:
        remarks.append(f"In {mixed:.0%} of the pictures the network mixed the back with a front; they were left out.")
    points, sure, metres = (empty(one.shape) for one in (landmarks_px, visibility, world_m))
    for rows in blocks(len(time_s)):
        unknown = wavering.mixed[rows]
        points[rows] = _without(unknown, _turned_round(exchange(landmarks_px[rows], states[rows]), wrong[rows]))
        sure[rows] = _without(unknown, exchange(visibility[rows], states[rows]))
        metres[rows] = _without(unknown, _turned_round(exchange(world_m[rows], states[rows]), wrong[rows]))
    return Sided(
        landmarks_px=points,
        visibility=sure,
        world_m=metres,
        exchanged=exchanged & ~wavering.settled,
        remarks=tuple(remarks),
    )


def exchange(values: AnyFloats, states: NDArray[np.int64]) -> Floats:
    """Return landmarks (n, 33, ...) with left and right exchanged as the states (n,) say, in double precision."""
    result = values.astype(np.float64)
    mirrored = np.array(MIRRORED_LANDMARKS)
    for column, points in enumerate((_BODY, _ARMS)):
        rows = np.flatnonzero(_STATES[states, column])
        result[np.ix_(rows, np.array(points))] = values[np.ix_(rows, mirrored[list(points)])]
    return result


def _turned_round(values: Floats, wrong: Bools) -> Floats:
    """Reverse depth in place where the patient is seen from the wrong side, with front and back reversed; return the same array."""
    values[wrong, :, 2] *= -1.0
    return values


def _without(left_out: Bools, values: Floats) -> Floats:
    """Make rows NaN in place; return the same array."""
    values[left_out] = np.nan
    return values


def side_states(time_s: Floats, landmarks_px: AnyFloats, visibility: AnyFloats) -> NDArray[np.int64]:
    """Return the most probable state of each picture, (n,): 0 as given, 1 all, 2 arms, 3 all but the arms exchanged.

    Arguments as in :func:`keep_sides`. Pictures without the patient are 0.
    """
    states = np.zeros(len(time_s), np.int64)
    seen = np.flatnonzero(
        np.isfinite(landmarks_px[:, [Landmark.LEFT_SHOULDER, Landmark.LEFT_HIP], :2]).all(axis=(1, 2))
    )
    if len(seen) < 2:
        return states
    step_s = np.diff(time_s[seen])

    def points(rows: slice) -> Floats:
        return landmarks_px[seen[rows]].astype(np.float64, copy=False)

    trunk_px = usual_length_px(by_blocks(len(seen), lambda rows: trunk_lengths_px(points(rows))))
    towards = _towards(by_blocks(len(seen), lambda rows: _face_and_feet(points(rows))) / trunk_px, step_s)
    reach = by_blocks(len(seen), lambda rows: _reach(points(rows), trunk_px))
    longest = 1.15 * float(np.percentile(reach.min(axis=1), 95))
    # neighbours closer in time than the weights were set for tell little that is new
    weight = min(1.0, _typical(step_s) / _WEIGHTS_STEP_S)

    def being(rows: slice) -> Floats:
        here = _PREFERENCE + _facing_cost(points(rows), towards[rows], trunk_px) + _reach_cost(reach[rows], longest)
        return np.asarray(weight * here)

    def going() -> Iterator[Floats]:
        for rows in blocks(len(step_s)):
            both = slice(rows.start, rows.stop + 1)
            visible = np.clip(visibility[seen[both]], 0.0, 1.0, dtype=np.float64)
            body, arms = (
                _flip_costs(points(both), visible, trunk_px, step_s[rows], _typical(step_s), pairs)
                for pairs in (_BODY_PAIRS, _ARM_PAIRS)
            )
            yield from np.where(_FLIPPED[..., 0], body[:, None, None], 0.0) + np.where(
                _FLIPPED[..., 1], arms[:, None, None], 0.0
            )

    states[seen] = cheapest_path(by_blocks(len(seen), being), going())
    return states


def cheapest_path(here: Floats, there: Iterable[Floats]) -> NDArray[np.int64]:
    """Return the path (n,) through states that costs least.

    Parameters
    ----------
    here
        (n, states) cost of being in each state.
    there
        n - 1 times (states, states), the cost of going from one state (first axis) to the next one; gone through once.

    """
    total = here[0]
    came_from = np.zeros((len(here) - 1, here.shape[1]), np.int8)
    for step, moving in enumerate(there):
        through = total[:, None] + moving
        came_from[step] = through.argmin(axis=0)
        total = through.min(axis=0) + here[step + 1]
    path = np.empty(len(here), np.int64)
    path[-1] = total.argmin()
    for step in range(len(came_from) - 1, -1, -1):
        path[step] = came_from[step, path[step + 1]]
    return path


def _flip_costs(
    points: Floats,
    visible: Floats,
    trunk_px: float,
    step_s: Floats,
    usual_step_s: float,
    pairs: tuple[tuple[str, float], ...],
) -> Floats:
    """Return (n - 1,) how much more it costs to exchange a group's sides from one picture to the next than to keep them.

    Negative where the names jumped.
    """
    spread_trunks = np.hypot(_STILL_TRUNKS, _MOVING_TRUNKS_S * step_s)
    scale = np.array([1.0, 1.0, _DEPTH_SHARE]) / trunk_px
    total = np.zeros(len(step_s))
    for part, weight in pairs:
        left, right = (points[:, Landmark.of(side, part)] * scale for side in SIDES)
        sure = np.minimum(visible[:, Landmark.of("left", part)], visible[:, Landmark.of("right", part)])
        sure = np.sqrt(np.clip(sure[1:] * sure[:-1], 0.05, 1.0))

        kept = _jump_cost(left, left, spread_trunks) + _jump_cost(right, right, spread_trunks)
        crossed = _jump_cost(left, right, spread_trunks) + _jump_cost(right, left, spread_trunks)
        total += weight * sure * (crossed - kept)
    remembered: Floats = np.exp(-np.maximum(step_s - usual_step_s, 0.0) / _MEMORY_S)
    return total * remembered


def _jump_cost(after: Floats, before: Floats, spread: Floats) -> Floats:
    squared = ((after[1:] - before[:-1]) ** 2).sum(axis=-1) / (2.0 * spread**2)
    cost: Floats = np.minimum(squared, _MOST_PER_POINT)
    return cost


def _typical(step_s: Floats) -> float:
    return float(np.median(step_s))


def _face_and_feet(points: Floats) -> Floats:
    """Return (n, 2) how far, in pixels, face and feet point to the right of the picture.

    They point to the same side of it whatever the names of left and right.
    """
    face = points[:, Landmark.NOSE, 0] - _middle(points, "ear")
    return np.column_stack([face, _middle(points, "foot_index") - _middle(points, "heel")])


def _towards(face_and_feet_trunks: Floats, step_s: Floats) -> Floats:
    """Return (n,) to which side of the picture the person looks: 1 right, -1 left, 0 where not seen from the side."""
    # slow to load, and needed only after the pictures were looked at
    from scipy.ndimage import median_filter

    # over a second, since a patient may turn round in the middle of a recording
    width = min(2 * int(0.5 / _typical(step_s)) + 1, 2 * len(face_and_feet_trunks) - 1)
    face, feet = (median_filter(one, size=width, mode="nearest") for one in face_and_feet_trunks.T)
    side_on = (np.abs(face + feet) > 2.0 * _SIDE_ON_TRUNKS) & (face * feet > 0)
    return np.where(side_on, np.sign(face), 0.0)


def _facing_cost(points: Floats, towards: Floats, trunk_px: float) -> Floats:
    """Return (n, 4) what the side that faces the camera says of each state; 0 where the person is not seen from the side.

    Who faces the right edge shows the right side to the camera: the left shoulder, hip and arm are the farther ones.
    """
    cost = np.zeros((len(points), len(_STATES)))
    for column, parts in enumerate((("shoulder", "hip"), ("elbow",))):
        left, right = (points[:, [Landmark.of(side, part) for part in parts], 2].mean(axis=1) for side in SIDES)
        evidence = _FACING_WEIGHT * np.tanh(towards * (left - right) / (0.3 * trunk_px))
        cost += np.where(_STATES[:, column], evidence[:, None], -evidence[:, None])
    return cost


def _middle(points: Floats, part: str) -> Floats:
    """Return (n,) the horizontal middle of a left and a right landmark, the same under either name."""
    return 0.5 * (points[:, Landmark.of("left", part), 0] + points[:, Landmark.of("right", part), 0])


def _reach(points: Floats, trunk_px: float) -> Floats:
    """Return (n, 2, 2) the distance, in trunks, from each shoulder (last axis) to its own elbow and to the other one."""
    shoulders = points[:, [Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER], :2] / trunk_px
    elbows = points[:, [Landmark.LEFT_ELBOW, Landmark.RIGHT_ELBOW], :2] / trunk_px
    own = np.linalg.norm(elbows - shoulders, axis=-1)
    other = np.linalg.norm(elbows[:, ::-1] - shoulders, axis=-1)
    return np.stack([own, other], axis=1)


def _reach_cost(reach: Floats, longest: float) -> Floats:
    """Return (n, 4) how implausibly far each state puts the elbows from their shoulders."""
    excess = np.maximum(reach - longest, 0.0) / 0.15
    as_one, apart = np.minimum(0.5 * excess**2, _MOST_PER_POINT).sum(axis=-1).T
    cost: Floats = np.where(_STATES[:, 0] != _STATES[:, 1], apart[:, None], as_one[:, None])
    return cost
