"""Stretches of a recording in which the patient faces one way, with the turns between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision_rom.angles.vectors import median_direction_deg, running_median, runs_of, wrapped_deg
from vision_rom.angles.view import name_of_view
from vision_rom.handover import Bools, Floats, View

TURN_OVER_S = 0.6
TURNS_FROM_DEG = 22.0
"""A change of the trunk's direction by so much within ``TURN_OVER_S``: the patient is turning. A raised arm shifts the estimate
by up to 15 degrees. Our own choice."""
STEADY_S = 0.5
"""The direction is taken by its running median over this time."""
SHORTEST_S = 1.0
"""A shorter stretch shows no movement whole. Our own choice."""
SAME_WITHIN_DEG = 32.0
"""Two stretches that differ by less face one way, and what lay between them was no turn."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """Time in which the patient faces one way."""

    start_s: float
    end_s: float
    facing_deg: float
    """As in :class:`vision_rom.angles.ViewEstimate`"""
    view: View


def stretches(time_s: Floats, facing_deg: Floats) -> tuple[Stretch, ...]:
    """Cut a recording where the patient turns.

    Parameters
    ----------
    time_s : (n,) strictly increasing.
    facing_deg : (n,) turn of the trunk in each picture; NaN where unknown.

    """
    known = np.isfinite(facing_deg)
    if known.sum() < 2:
        return ()
    times, steady = time_s[known], _steady(time_s[known], facing_deg[known])
    turning = _turning(times, steady)
    merged: list[list[tuple[int, int]]] = []
    for run in runs_of(~turning):
        if times[run[1]] - times[run[0]] < SHORTEST_S:
            continue
        facing = _facing(steady, [run])
        if merged and abs(wrapped_deg(facing - _facing(steady, merged[-1]))) < SAME_WITHIN_DEG:
            merged[-1].append(run)
        else:
            merged.append([run])
    found = []
    for runs in merged:
        facing = _facing(steady, runs)
        found.append(Stretch(float(times[runs[0][0]]), float(times[runs[-1][1]]), facing, name_of_view(facing)))
    return tuple(found)


def _facing(steady: Floats, runs: list[tuple[int, int]]) -> float:
    return median_direction_deg(np.concatenate([steady[first : last + 1] for first, last in runs]))


def _steady(times: Floats, facing: Floats) -> Floats:
    """Running median of directions: of sine and cosine apart, so that 180 is no edge."""
    half = max(round(STEADY_S / 2 / max(float(np.median(np.diff(times))), 1e-6)), 1)
    turn = np.radians(facing)
    return np.degrees(
        np.arctan2(running_median(np.sin(turn), half_width=half), running_median(np.cos(turn), half_width=half))
    )


def _turning(times: Floats, steady: Floats) -> Bools:
    before = np.interp(times - TURN_OVER_S / 2, times, np.arange(len(times))).round().astype(int)
    after = np.interp(times + TURN_OVER_S / 2, times, np.arange(len(times))).round().astype(int)
    return np.asarray(np.abs(wrapped_deg(steady[after] - steady[before])) > TURNS_FROM_DEG)
