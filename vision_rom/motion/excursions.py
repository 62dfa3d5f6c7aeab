"""When an arm leaves rest and comes back: the pieces of a recording that are a movement, whichever it is."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from vision_rom.angles.arm_path import ArmPath
from vision_rom.angles.vectors import angle_between_deg, running_median, runs_of
from vision_rom.handover import Bools, Floats

LEAVES_REST_DEG = 11.0
"""The upper arm or the forearm has left its direction at rest by so much. Below it, sway and the landmarks' own jitter look
alike. Our own choice, no source."""
SURELY_MOVES_DEG = 20.0
"""An excursion that never goes this far is none."""
LEAVES_REST_FROM_BEHIND_DEG = 9.0
SURELY_MOVES_FROM_BEHIND_DEG = 13.0
"""From behind, a hand on its way to the back hardly moves in the picture."""
STEADY_S = 0.25
SHORTEST_S = 0.4
DRAWN_OUT_S = 0.7
BRIDGED_BELOW_S = 0.5
BRIDGED_AWAY_BELOW_S = 1.5
"""Where the arm was surely away both before and after: from behind, pictures that mix back and front are left out."""
JOINED_BELOW_S = 0.3
"""A shorter return to rest is jitter at the threshold."""
LOW_WITHIN_TRUNKS = 0.12
"""A hanging hand is no higher above its lowest usual place. Our own choice, as the next two."""
ALIKE_WITHIN_TRUNKS = 0.08
MOST_COMPARED = 400
EDGE_S, EDGE_WEIGHT = 0.7, 5.0
"""People turn with hanging arms, so a stretch begins and ends at rest: such pictures count more. Our own choice."""


@dataclass(frozen=True, slots=True)
class Excursion:
    """One way of an arm from rest to rest."""

    start_s: float
    end_s: float
    first: int
    last: int
    """Pictures, both included"""
    cut_start: bool
    cut_end: bool
    """It was under way when the stretch began or ended"""


def departure_deg(path: ArmPath) -> Floats:
    """Return how far (n,) the arm has left its posture at rest; NaN where not seen.

    The largest of three: how far upper arm and forearm have left their direction, and the way of the wrist in the picture as the
    angle by which the whole arm would have to turn for it.
    """
    rest = _at_rest(path)
    arm = float(np.nanmedian(path.reach[rest]))
    turned = np.fmax(
        angle_between_deg(path.upper_arm, _middle(path.upper_arm[rest])),
        angle_between_deg(path.forearm, _middle(path.forearm[rest])),
    )
    wrist = np.stack([path.wrist_across, path.wrist_along], axis=1)
    moved = np.linalg.norm(wrist - _middle(wrist[rest]), axis=1) / arm
    return running_median(np.fmax(turned, np.degrees(moved)), half_width=_half_width(path.time_s))


def elbow_way(path: ArmPath) -> Floats:
    """Return how far (n,) the elbow has left its place at rest in the picture, in trunk lengths; NaN where not seen."""
    way = np.linalg.norm(path.elbow_place - _middle(path.elbow_place[_at_rest(path)]), axis=1)
    return running_median(way, half_width=_half_width(path.time_s))


def resting_reach(path: ArmPath) -> float:
    """Return the distance from shoulder to wrist of the hanging arm in the picture, over the trunk's length."""
    return float(np.nanmedian(path.reach[_at_rest(path)]))


def excursions(
    path: ArmPath,
    away_deg: Floats,
    *,
    surely_deg: float = SURELY_MOVES_DEG,
    leaves_deg: float = LEAVES_REST_DEG,
) -> tuple[Excursion, ...]:
    """Return every excursion of an arm in a stretch of a recording.

    An excursion is where the arm surely moves, drawn out on both sides to where it leaves rest and is back at it.

    Parameters
    ----------
    away_deg : from :func:`departure_deg`.
    surely_deg, leaves_deg : departures from which the arm surely moves, and from which it has left rest.

    """
    if len(path.time_s) < 3 or not np.isfinite(path.upper_arm).any():
        return ()
    away = _without_short_gaps(path.time_s, away_deg, surely_deg)
    cores: list[list[int]] = []
    for first, last in runs_of(away > surely_deg):
        if cores and path.time_s[first] - path.time_s[cores[-1][1]] < JOINED_BELOW_S:
            cores[-1][1] = last
        else:
            cores.append([first, last])
    found = []
    for number, (first, last) in enumerate(cores):
        earliest = cores[number - 1][1] + 1 if number else 0
        latest = cores[number + 1][0] - 1 if number + 1 < len(cores) else len(away) - 1
        start_s, begins = _drawn_out(path.time_s, away, first, -1, earliest, leaves_deg)
        end_s, ends = _drawn_out(path.time_s, away, last, 1, latest, leaves_deg)
        if path.time_s[last] - path.time_s[first] >= SHORTEST_S:
            found.append(Excursion(start_s, end_s, begins, ends, cut_start=begins == 0, cut_end=ends == len(away) - 1))
    return tuple(found)


def _without_short_gaps(time_s: Floats, values: Floats, surely: float) -> Floats:
    """Bridge pictures in which the arm was not seen, up to :data:`BRIDGED_BELOW_S`, or longer in the middle of a movement."""
    filled = values.copy()
    known = np.flatnonzero(np.isfinite(values))
    for before, after in itertools.pairwise(known):
        longest_s = BRIDGED_AWAY_BELOW_S if min(values[before], values[after]) > surely else BRIDGED_BELOW_S
        if after - before > 1 and time_s[after] - time_s[before] <= longest_s:
            inside = slice(before + 1, after)
            filled[inside] = np.interp(time_s[inside], time_s[[before, after]], values[[before, after]])
    return filled


def _drawn_out(
    time_s: Floats, away: Floats, inside: int, step: int, furthest: int, leaves_deg: float
) -> tuple[float, int]:
    """Return when the departure crosses ``leaves_deg`` near the edge of a core, and the last picture within.

    Where it does not come so low soon, the arm hovers near rest, and the core's own edge is as good as any.
    """
    at = inside
    while at != furthest and abs(time_s[at + step] - time_s[inside]) <= DRAWN_OUT_S:
        outside = at + step
        if not np.isfinite(away[outside]):
            break
        if away[outside] <= leaves_deg:
            share = (away[at] - leaves_deg) / max(away[at] - away[outside], 1e-9)
            return float(time_s[at] + share * (time_s[outside] - time_s[at])), at
        at = outside
    if at in (0, len(away) - 1):
        return float(time_s[at]), at
    return float(time_s[inside]), inside


def _at_rest(path: ArmPath) -> Bools:
    """(n,) pictures at rest: those alike to the commonest posture in which the hand hangs low.

    Rest is the one posture that an arm comes back to between movements, so it is common where any movement is held only once or
    twice; and it is low, which tells it from a long hold.
    """
    posture = np.column_stack([path.elbow_place, path.wrist_across, path.wrist_along])
    seen = np.isfinite(posture).all(axis=1)
    if not seen.any():
        return np.asarray(seen)
    low = seen & (path.wrist_along >= np.quantile(path.wrist_along[seen], 0.95) - LOW_WITHIN_TRUNKS)
    since_edge_s = np.minimum(path.time_s - path.time_s[0], path.time_s[-1] - path.time_s)
    weight = np.where(since_edge_s < EDGE_S, EDGE_WEIGHT, 1.0)
    rows = np.flatnonzero(low)
    some = rows[:: max(len(rows) // MOST_COMPARED, 1)]
    near = np.linalg.norm(posture[some, None] - posture[None, some], axis=2) < ALIKE_WITHIN_TRUNKS
    centre = posture[some[int((near @ weight[some]).argmax())]]
    return np.asarray(low & (np.linalg.norm(posture - centre, axis=1) < ALIKE_WITHIN_TRUNKS))


def _middle(vectors: Floats) -> Floats:
    return np.asarray(np.nanmedian(vectors, axis=0))


def _half_width(time_s: Floats) -> int:
    return max(round(STEADY_S / 2 / max(float(np.median(np.diff(time_s))), 1e-6)), 1)
