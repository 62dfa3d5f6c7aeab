"""Repetitions of a movement: each raise and return, with the angle it reached and the angle it held."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision_rom.handover import Floats, Ints, Repetition, SmoothCurve
from vision_rom.motion.holds import HOLD_LENGTH_S, grid_step_s, held_value, mean_between
from vision_rom.motion.smoothing import runs_without_gap
from vision_rom.motion.turning_points import Swing, swings


@dataclass(frozen=True, slots=True)
class RepetitionSettings:
    """What counts as a repetition. All values are our own choice; none is published."""

    least_excursion_deg: float = 10.0
    """A smaller movement cannot be told from sway and landmark jitter at rest."""
    least_excursion_half_seen_deg: float = 20.0
    """The same where only the raise or only the return was seen: a single step of posture is no repetition."""
    fraction_of_range: float = 0.25
    """The arm must rise and fall by this share of the recording's own range for a repetition to be apart."""
    least_mean_speed_deg_s: float = 3.0
    """Over the middle of a rise or fall; slower is drift of posture or camera."""
    onset_fraction: float = 0.2
    """Height, as a share of the rise, below which the beginning of the movement is looked for."""
    onset_speed_fraction: float = 0.05
    """The movement begins where the speed first exceeds this share of its fastest."""
    top_band_deg: float = 4.0
    """Samples this close below the highest one belong to the top..."""
    top_band_fraction: float = 0.05
    """...or this share of the excursion, where that is more."""
    joined_gap_s: float = 1.0
    """The arm cannot come down and go up again unseen in a shorter gap, so one repetition may go on across it."""
    hold_length_s: float = HOLD_LENGTH_S


@dataclass(frozen=True, slots=True)
class Dropped:
    """A movement that looked like a repetition and gives no value, with the reason for the user."""

    reason: str
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class RepetitionResult:
    """The repetitions of one curve, what was left out, and what to tell about those that were kept."""

    kept: tuple[Repetition, ...] = ()
    dropped: tuple[Dropped, ...] = ()
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Candidate:
    """A swing with indices into the whole curve and the bottoms that its height is counted from."""

    swing: Swing
    base_before_deg: float
    base_after_deg: float
    excursion_deg: float
    start: int
    end: int


def repetitions(curve: SmoothCurve, *, settings: RepetitionSettings | None = None) -> RepetitionResult:
    """Find every raise and return, by hysteresis relative to the curve's own range.

    The curve must rise and fall by ``max(least_excursion_deg, fraction_of_range * range)`` for a repetition to stand
    apart, so holds with a wobble stay whole, and a return only half way down separates two raises. Heights are
    counted from the bottom beside the top; where the curve goes below 0 by more than ``least_excursion_deg`` (the arm
    also moves the other way, as in rotation), they are counted from 0, the neutral position, and a return from the
    other direction to neutral is no repetition.

    Peaks and held values come from trusted samples only. A raise whose top may lie outside them (in a gap, or before
    the recording begins or after it ends) is dropped with a reason, unless the arm was held at its highest trusted
    level for half a second; then it is kept, with a remark.

    Returns
    -------
    RepetitionResult
        ``kept`` in order of time with ``interval95_deg`` (NaN, NaN), to be filled by whoever knows the error. ``start_deg``
        is the smoothed value where the rise begins (the first value seen, where the beginning was not); ``peak_speed_deg_s``
        the largest absolute speed between start and end. Empty where nothing moved.

    """
    settings = settings or RepetitionSettings()
    step_s = grid_step_s(curve)
    finite = np.isfinite(curve.angle_deg)
    if not (finite & curve.trusted).any():
        return RepetitionResult()
    span_deg = float(np.ptp(curve.angle_deg[finite & curve.trusted]))
    threshold_deg = max(settings.least_excursion_deg, settings.fraction_of_range * span_deg)

    kept: list[Repetition] = []
    dropped: list[Dropped] = []
    remarks: list[str] = []
    for first, last in runs_without_gap(curve.time_s, finite, max_gap_s=max(settings.joined_gap_s, 1.5 * step_s)):
        seen = first + np.flatnonzero(finite[first : last + 1])
        for swing in swings(curve.angle_deg[seen], threshold_deg=threshold_deg):
            candidate = _measure_swing(curve, seen, swing, settings)
            if candidate is None:
                continue
            outcome = _judge(curve, seen, candidate, settings)
            if isinstance(outcome, Dropped):
                dropped.append(outcome)
                continue
            repetition, remark = outcome
            kept.append(repetition)
            if remark:
                remarks.append(f"Repetition {len(kept)}: {remark}")
    dropped.extend(_small_raises(curve, threshold_deg, kept, dropped, settings))
    dropped.sort(key=lambda item: item.start_s)
    return RepetitionResult(kept=tuple(kept), dropped=tuple(dropped), remarks=tuple(remarks))


def _measure_swing(curve: SmoothCurve, seen: Ints, swing: Swing, settings: RepetitionSettings) -> _Candidate | None:
    """Find where the raise begins and the return ends; None where the swing is no raise at all."""
    angle = curve.angle_deg[seen]
    top_deg = float(angle[swing.top])
    bases = [
        _base(float(angle[index]), settings)
        for index, is_seen in ((swing.before, swing.rise_seen), (swing.after, swing.fall_seen))
        if is_seen
    ]
    # A side that was not seen tells nothing about where the arm rests; the other side stands for it.
    base_before = bases[0]
    base_after = bases[-1]
    excursion = top_deg - max(bases)
    both_seen = swing.rise_seen and swing.fall_seen
    if excursion < (settings.least_excursion_deg if both_seen else settings.least_excursion_half_seen_deg):
        return None
    time = curve.time_s[seen]
    speeds = []
    start, end = swing.before, swing.after
    if swing.rise_seen:
        start = _onset(angle, swing.top, swing.before, base_before, settings)
        speeds.append(_mean_speed(time, angle, swing.top, swing.before, base_before))
    if swing.fall_seen:
        end = _onset(angle, swing.top, swing.after, base_after, settings)
        speeds.append(_mean_speed(time, angle, swing.top, swing.after, base_after))
    if max(speeds) < settings.least_mean_speed_deg_s:
        return None
    return _Candidate(swing, base_before, base_after, excursion, start, end)


def _base(bottom_deg: float, settings: RepetitionSettings) -> float:
    """Return the level a raise is counted from: its bottom, or neutral where the bottom is of the other direction."""
    return 0.0 if bottom_deg < -settings.least_excursion_deg else bottom_deg


def _onset(angle_deg: Floats, top: int, bottom: int, base_deg: float, settings: RepetitionSettings) -> int:
    """Walk from the top towards a bottom on either side of it, to where the arm rests."""
    direction = 1 if bottom > top else -1
    path = np.arange(top, bottom + direction, direction)
    values = angle_deg[path]
    low = np.flatnonzero(values <= base_deg + settings.onset_fraction * (values[0] - base_deg))
    at = int(low[0]) if low.size else path.size - 1
    steepness = -np.diff(values)
    slow = settings.onset_speed_fraction * float(steepness.max(initial=0.0))
    while at < path.size - 1 and values[at] > base_deg and steepness[at] > slow:
        at += 1
    return int(path[at])


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


def _judge(
    curve: SmoothCurve, seen: Ints, candidate: _Candidate, settings: RepetitionSettings
) -> tuple[Repetition, str] | Dropped:
    """Read the values of one repetition, or say why there are none."""
    part = seen[candidate.start : candidate.end + 1]
    start_s, end_s = float(curve.time_s[part[0]]), float(curve.time_s[part[-1]])
    trusted = part[curve.trusted[part]]
    if trusted.size == 0:
        return Dropped("no picture of this raise can be trusted: it lies beside gaps in the tracking", start_s, end_s)
    peak = int(trusted[np.argmax(curve.angle_deg[trusted])])
    peak_deg = float(curve.angle_deg[peak])

    band_deg = max(settings.top_band_deg, settings.top_band_fraction * candidate.excursion_deg)
    highest_deg = float(curve.angle_deg[part].max())
    held_deg, from_s, to_s = held_value(curve, start_s=start_s, end_s=end_s, length_s=settings.hold_length_s)
    held_at_top = held_deg >= peak_deg - band_deg
    unseen = _unseen_beside_top(curve, part, peak_deg - band_deg)
    if highest_deg > peak_deg + band_deg * (2 if held_at_top else 1):
        where = unseen or "beside a gap in the tracking"
        return Dropped(f"its highest point lies {where}, where the curve cannot be trusted", start_s, end_s)
    if unseen and not held_at_top:
        return Dropped(
            f"its highest point may lie {unseen}; no hold of {settings.hold_length_s:g} s was seen", start_s, end_s
        )
    if not np.isfinite(held_deg):
        return Dropped(
            f"it holds no {settings.hold_length_s:g} s of trusted pictures in a row; repeat it more slowly",
            start_s,
            end_s,
        )

    remark = _remark(candidate.swing, unseen, start_deg=float(curve.angle_deg[part[0]]))
    speed = np.abs(curve.speed_deg_s[trusted])
    return (
        Repetition(
            start_s=start_s,
            peak_s=float(curve.time_s[peak]),
            end_s=end_s,
            peak_deg=peak_deg,
            held_deg=held_deg,
            start_deg=float(curve.angle_deg[part[0]]),
            peak_speed_deg_s=float(speed.max()),
            interval95_deg=(float("nan"), float("nan")),
            hold_start_s=from_s,
            hold_end_s=to_s,
            vertical_held_deg=mean_between(curve, curve.vertical_deg, from_s=from_s, to_s=to_s),
        ),
        remark,
    )


def _unseen_beside_top(curve: SmoothCurve, part: Ints, top_from_deg: float) -> str:
    """Say where the curve is not seen next to samples of the top; empty where all of the top is seen."""
    high = curve.angle_deg[part] >= top_from_deg
    broken = np.flatnonzero(np.diff(part) > 1)
    if (high[broken] | high[broken + 1]).any():
        return "in a gap in the tracking"
    for edge, neighbour, where in (
        (0, part[0] - 1, "before the first picture of the movement"),
        (-1, part[-1] + 1, "after the last picture of the movement"),
    ):
        outside = neighbour < 0 or neighbour >= curve.time_s.size or not np.isfinite(curve.angle_deg[neighbour])
        if outside and high[edge]:
            return where
    return ""


def _remark(swing: Swing, unseen: str, *, start_deg: float) -> str:
    """Put in words what was not seen of a repetition that was kept."""
    said = []
    if not swing.rise_seen:
        said.append(f"the raise was not seen, so its first value ({start_deg:.0f} deg) is no start angle")
    if not swing.fall_seen:
        said.append("the return was not seen")
    if unseen:
        said.append(f"a higher point may lie {unseen}")
    return "; ".join(said) + "." if said else ""


def _small_raises(
    curve: SmoothCurve,
    threshold_deg: float,
    kept: list[Repetition],
    dropped: list[Dropped],
    settings: RepetitionSettings,
) -> list[Dropped]:
    """Report raises that are clear by themselves but small beside the largest movement of the recording."""
    smaller_deg = max(1.5 * settings.least_excursion_deg, threshold_deg / 2)
    if smaller_deg >= threshold_deg:
        return []
    finite = np.isfinite(curve.angle_deg)
    taken = [(item.start_s, item.end_s) for item in kept] + [(item.start_s, item.end_s) for item in dropped]
    found = []
    for first, last in runs_without_gap(curve.time_s, finite, max_gap_s=settings.joined_gap_s):
        seen = first + np.flatnonzero(finite[first : last + 1])
        for swing in swings(curve.angle_deg[seen], threshold_deg=smaller_deg):
            if not (swing.rise_seen and swing.fall_seen):
                continue
            candidate = _measure_swing(curve, seen, swing, settings)
            if candidate is None:
                continue
            start_s, end_s = (float(curve.time_s[seen[i]]) for i in (candidate.start, candidate.end))
            if any(start_s < b and end_s > a for a, b in taken):
                continue
            reason = f"it rises by {candidate.excursion_deg:.0f} deg only, little beside the largest movement seen"
            found.append(Dropped(reason, start_s, end_s))
    return found
