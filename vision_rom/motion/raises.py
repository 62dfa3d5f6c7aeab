"""Where an arm raises and returns in a smooth curve, before anything is read from it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision_rom.handover import Floats, Ints, SmoothCurve
from vision_rom.motion.holds import HOLD_LENGTH_S, grid_step_s
from vision_rom.motion.smoothing import runs_without_gap
from vision_rom.motion.turning_points import Swing, swings


@dataclass(frozen=True, slots=True)
class RepetitionSettings:
    """What counts as a repetition. All values are our own choice; none is published."""

    least_excursion_deg: float = 12.0
    """A smaller movement cannot be told from sway and landmark jitter at rest: over 20 s, jitter with a standard
    deviation of 3 deg, white or with a correlation of 0.8 from frame to frame, moves the running mean by less."""
    least_excursion_half_seen_deg: float = 20.0
    """The same where only the raise or only the return was seen: a single step of posture is no repetition."""
    fraction_of_range: float = 0.25
    """The arm must rise and fall by this share of the recording's own range for a repetition to be apart."""
    least_mean_speed_deg_s: float = 3.0
    """Over the middle of a rise or fall; slower is drift of posture or camera."""
    onset_fraction: float = 0.2
    """Height, as a share of the rise, below which the beginning of the movement is looked for."""
    onset_speed_fraction: float = 0.02
    """The movement begins where the speed first exceeds this share of its fastest..."""
    onset_look_s: float = 0.2
    """...measured over this long, lest jitter end the search."""
    cut_speed_fraction: float = 0.3
    """An arm that moves at this share of its fastest at the first or last sample is in mid-movement."""
    top_band_deg: float = 4.0
    """Samples this close below the highest one belong to the top..."""
    top_band_fraction: float = 0.05
    """...or this share of the excursion, where that is more."""
    joined_gap_s: float = 1.0
    """The arm cannot come down and go up again unseen in a shorter gap, so one repetition may go on across it."""
    calming_s: float = 0.5
    """Raises are looked for in a running mean this long, which jitter moves less than the smoothed curve."""
    hold_length_s: float = HOLD_LENGTH_S


@dataclass(frozen=True, slots=True)
class Raise:
    """One raise and return as it was found."""

    samples: Ints
    """Indices of the finite samples of the curve from its beginning to its end."""
    excursion_deg: float
    """Height of the top above the higher of the two bottoms, on the calmed curve."""
    raise_seen: bool
    return_seen: bool
    cut_at_start: bool
    """The arm already moves at the first sample, beside a long gap or the recording's beginning."""
    cut_at_end: bool
    """The arm still moves at the last sample."""


@dataclass(frozen=True, slots=True)
class _Group:
    """A stretch of the curve whose gaps are too short to hide a return and a raise."""

    seen: Ints
    """(n,) indices of its finite samples"""
    calm_deg: Floats
    """(n,) running mean over ``calming_s``; used to find raises, never to read an angle"""


def find_raises(curve: SmoothCurve, settings: RepetitionSettings) -> tuple[list[Raise], list[Raise]]:
    """Return the raises of a curve in order of time, and those too small beside the largest to be taken for one.

    See :func:`vision_rom.motion.repetitions` for the rule.
    """
    groups = _groups(curve, settings)
    if not groups:
        return [], []
    span_deg = max(float(np.ptp(_of_trusted(curve, group))) for group in groups)
    threshold_deg = max(settings.least_excursion_deg, settings.fraction_of_range * span_deg)
    clear = _raises_above(curve, groups, threshold_deg, settings)
    smaller_deg = max(1.5 * settings.least_excursion_deg, threshold_deg / 2)
    if smaller_deg >= threshold_deg:
        return clear, []
    small = [
        one
        for one in _raises_above(curve, groups, smaller_deg, settings)
        if one.raise_seen and one.return_seen and not any(_overlap(one, other) for other in clear)
    ]
    return clear, small


def _overlap(one: Raise, other: Raise) -> bool:
    return bool(one.samples[0] < other.samples[-1] and one.samples[-1] > other.samples[0])


def _groups(curve: SmoothCurve, settings: RepetitionSettings) -> list[_Group]:
    """Split the curve at gaps in which a return and a raise may hide."""
    step_s = grid_step_s(curve)
    finite = np.isfinite(curve.angle_deg)
    length = max(1, 2 * round(settings.calming_s / step_s / 2) + 1) if curve.time_s.size > 1 else 1
    groups = []
    for first, last in runs_without_gap(curve.time_s, finite, max_gap_s=max(settings.joined_gap_s, 1.5 * step_s)):
        seen = first + np.flatnonzero(finite[first : last + 1])
        angle_deg = curve.angle_deg[seen]
        # The mean narrows towards the ends, so that a ramp that is cut off keeps its own level there.
        reach = np.minimum(length // 2, np.minimum(np.arange(seen.size), np.arange(seen.size)[::-1]))
        summed = np.concatenate(([0.0], np.cumsum(angle_deg)))
        at = np.arange(seen.size)
        calm_deg = (summed[at + reach + 1] - summed[at - reach]) / (2 * reach + 1)
        groups.append(_Group(seen, calm_deg))
    return groups


def _of_trusted(curve: SmoothCurve, group: _Group) -> Floats:
    """Return the calmed curve where it is trusted; all of it where it nowhere is."""
    trusted = curve.trusted[group.seen]
    return group.calm_deg[trusted] if trusted.any() else group.calm_deg


def _raises_above(
    curve: SmoothCurve, groups: list[_Group], threshold_deg: float, settings: RepetitionSettings
) -> list[Raise]:
    """Return the raises that stand apart by ``threshold_deg``."""
    found = [
        _raise_of(curve, group, swing, settings)
        for group in groups
        for swing in swings(group.calm_deg, threshold_deg=threshold_deg)
    ]
    return [one for one in found if one is not None]


def _raise_of(curve: SmoothCurve, group: _Group, swing: Swing, settings: RepetitionSettings) -> Raise | None:
    """Find where a raise begins and its return ends; None where the swing is no raise at all."""
    calm_deg = group.calm_deg
    bottoms = [
        (index, _base(float(calm_deg[index]), settings))
        for index, is_seen in ((swing.before, swing.rise_seen), (swing.after, swing.fall_seen))
        if is_seen
    ]
    excursion_deg = float(calm_deg[swing.top]) - max(base for _, base in bottoms)
    both_seen = len(bottoms) == 2
    if excursion_deg < (settings.least_excursion_deg if both_seen else settings.least_excursion_half_seen_deg):
        return None
    time_s = curve.time_s[group.seen]
    speeds = [_mean_speed(time_s, calm_deg, swing.top, index, base) for index, base in bottoms]
    if max(speeds) < settings.least_mean_speed_deg_s:
        return None
    angle_deg = curve.angle_deg[group.seen]
    step_s = grid_step_s(curve)
    ends = {index: _onset(step_s, angle_deg, swing.top, index, base, settings) for index, base in bottoms}
    start, end = ends.get(swing.before, swing.before), ends.get(swing.after, swing.after)
    values = angle_deg[start : end + 1]
    return Raise(
        samples=group.seen[start : end + 1],
        excursion_deg=excursion_deg,
        raise_seen=swing.rise_seen,
        return_seen=swing.fall_seen,
        cut_at_start=start == 0 and _moves_at_once(step_s, values, settings),
        cut_at_end=end == angle_deg.size - 1 and _moves_at_once(step_s, values[::-1], settings),
    )


def _base(bottom_deg: float, settings: RepetitionSettings) -> float:
    """Return the level a raise is counted from: its bottom, or neutral where the bottom is of the other direction."""
    return 0.0 if bottom_deg < -settings.least_excursion_deg else bottom_deg


def _onset(
    step_s: float, angle_deg: Floats, top: int, bottom: int, base_deg: float, settings: RepetitionSettings
) -> int:
    """Walk from the top towards a bottom on either side of it, to where the arm rests.

    The walk ends below ``onset_fraction`` of the height, where the arm comes down no further than
    ``onset_speed_fraction`` of its fastest over the next ``onset_look_s``, or where it reaches the base.
    """
    direction = 1 if bottom > top else -1
    path = np.arange(top, bottom + direction, direction)
    values = angle_deg[path]
    low = np.flatnonzero(values <= base_deg + settings.onset_fraction * (values[0] - base_deg))
    at = int(low[0]) if low.size else path.size - 1
    look = max(1, round(settings.onset_look_s / step_s))
    drops = values - values[np.minimum(np.arange(path.size) + look, path.size - 1)]
    resting = (drops <= settings.onset_speed_fraction * drops.max()) | (values <= base_deg)
    resting[-1] = True
    return int(path[at + np.argmax(resting[at:])])


def _moves_at_once(step_s: float, values_deg: Floats, settings: RepetitionSettings) -> bool:
    """Tell whether the first values of a raise change at a fair share of its fastest."""
    look = max(1, round(settings.onset_look_s / step_s))
    if values_deg.size <= look:
        return True
    changes = np.abs(values_deg[look:] - values_deg[:-look])
    return bool(changes[0] > settings.cut_speed_fraction * changes.max())


def _mean_speed(time_s: Floats, angle_deg: Floats, top: int, bottom: int, base_deg: float) -> float:
    """Return the mean speed between 80% and 20% of the height, passed for the last and first time seen from the top."""
    direction = 1 if bottom > top else -1
    path = np.arange(top, bottom + direction, direction)
    height = (angle_deg[path] - base_deg) / (angle_deg[top] - base_deg)
    low = int(np.flatnonzero(height <= 0.2)[0]) if (height <= 0.2).any() else path.size - 1
    high = int(np.flatnonzero(height[: low + 1] >= 0.8)[-1])
    if low == high:
        return float("inf")
    return abs(float(angle_deg[path[high]] - angle_deg[path[low]]) / float(time_s[path[high]] - time_s[path[low]]))
