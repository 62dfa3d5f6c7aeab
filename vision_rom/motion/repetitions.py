"""Repetitions of a movement: each raise and return, with the angle it reached and the angle it held."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vision_rom.handover import Ints, Repetition, SmoothCurve
from vision_rom.motion.holds import held_value, mean_between
from vision_rom.motion.raises import Raise, RepetitionSettings, find_raises

SHORTEST_S = 1.5
"""A shorter recording in which nothing was found is told to be too short. Our own choice, no source."""


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


def repetitions(curve: SmoothCurve, *, settings: RepetitionSettings | None = None) -> RepetitionResult:
    """Find every raise and return, by hysteresis relative to the curve's own range.

    Raises are looked for in a running mean over ``calming_s``. It must rise and fall by ``fraction_of_range`` of its
    range, and by ``least_excursion_deg``, for a repetition to stand apart: a hold with a
    wobble stays whole, a return only half way down separates two raises, and rest gives none. Heights are counted from the bottom beside the top; where the curve goes below 0 by more than ``least_excursion_deg`` (the arm
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
    raises, small = find_raises(curve, settings)
    kept, dropped, remarks = _judged(curve, raises, settings)
    for one in small:
        reason = f"it rises by {one.excursion_deg:.0f} deg only, little beside the largest movement seen"
        dropped.append(Dropped(reason, *_times(curve, one)))
    dropped.sort(key=lambda item: item.start_s)
    if not (kept or dropped):
        remarks.append(_why_nothing(curve))
    return RepetitionResult(kept=tuple(kept), dropped=tuple(dropped), remarks=tuple(remarks))


def repetitions_between(
    curve: SmoothCurve, spans: Sequence[tuple[float, float]], *, settings: RepetitionSettings | None = None
) -> RepetitionResult:
    """Read the repetitions that a person marked, instead of looking for them.

    Parameters
    ----------
    curve : the smoothed curve.
    spans : start and end of each repetition in seconds, in order of time.

    Returns
    -------
    RepetitionResult
        As of :func:`repetitions`; a span that gives no value is dropped with its reason.

    """
    settings = settings or RepetitionSettings()
    marked: list[Raise] = []
    unknown: list[Dropped] = []
    for start_s, end_s in spans:
        inside = (curve.time_s >= start_s - 1e-6) & (curve.time_s <= end_s + 1e-6) & np.isfinite(curve.angle_deg)
        samples = np.flatnonzero(inside)
        if samples.size < 2:
            unknown.append(Dropped("the angle is not known between the marked ends", start_s, end_s))
            continue
        heights = curve.angle_deg[samples]
        excursion_deg = float(heights.max() - max(heights[0], heights[-1]))
        # who marked the ends says that the whole movement lies between them
        marked.append(Raise(samples, excursion_deg, True, True, False, False))
    kept, dropped, remarks = _judged(curve, marked, settings)
    dropped = sorted([*unknown, *dropped], key=lambda item: item.start_s)
    return RepetitionResult(kept=tuple(kept), dropped=tuple(dropped), remarks=tuple(remarks))


def _judged(
    curve: SmoothCurve, raises: Sequence[Raise], settings: RepetitionSettings
) -> tuple[list[Repetition], list[Dropped], list[str]]:
    """Return the repetitions that raises give, those that give none with the reason, and what to tell of the first."""
    kept: list[Repetition] = []
    dropped: list[Dropped] = []
    remarks: list[str] = []
    for one in raises:
        outcome = _judge(curve, one, settings)
        if isinstance(outcome, Dropped):
            dropped.append(outcome)
            continue
        repetition, remark = outcome
        kept.append(repetition)
        if remark:
            remarks.append(f"Repetition {len(kept)}: {remark}")
    return kept, dropped, remarks


def _times(curve: SmoothCurve, one: Raise) -> tuple[float, float]:
    return float(curve.time_s[one.samples[0]]), float(curve.time_s[one.samples[-1]])


def _why_nothing(curve: SmoothCurve) -> str:
    """Say why a curve shows not even a repetition that was dropped."""
    time_s = curve.source.time_s
    if len(time_s) == 1:
        return "There is a single picture only; film the whole movement, from the hanging arm and back to it."
    if len(time_s) and time_s[-1] - time_s[0] < SHORTEST_S:
        return (
            f"The recording lasts {time_s[-1] - time_s[0]:.1f} s only, too short for a raise and return; "
            "film the whole movement, from the hanging arm and back to it."
        )
    usable = curve.angle_deg[curve.trusted]
    if usable.size == 0:
        return (
            f"No stretch of {curve.window_s:g} s without a gap was measured; "
            "film with the whole arm and trunk in view, in better light or closer."
        )
    return (
        f"The angle stays between {usable.min():.0f} and {usable.max():.0f} deg without a raise "
        "that can be told from sway, drift and jitter."
    )


def _judge(curve: SmoothCurve, one: Raise, settings: RepetitionSettings) -> tuple[Repetition, str] | Dropped:
    """Read the values of one repetition, or say why there are none."""
    part = one.samples
    start_s, end_s = _times(curve, one)
    trusted = part[curve.trusted[part]]
    if trusted.size == 0:
        return Dropped("no picture of this raise can be trusted: it lies beside gaps in the tracking", start_s, end_s)
    peak = int(trusted[np.argmax(curve.angle_deg[trusted])])
    peak_deg = float(curve.angle_deg[peak])

    band_deg = max(settings.top_band_deg, settings.top_band_fraction * one.excursion_deg)
    highest_deg = float(curve.angle_deg[part].max())
    held_deg, from_s, to_s = held_value(curve, start_s=start_s, end_s=end_s, length_s=settings.hold_length_s)
    held_at_top = held_deg >= peak_deg - band_deg
    unseen = _unseen_at_top(curve, part, peak_deg - band_deg)
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

    start_deg = float(curve.angle_deg[part[0]])
    said = _not_seen(one, unseen, start_deg=start_deg)
    if not held_at_top:
        said.append(
            f"the top was not held for {settings.hold_length_s:g} s, so the held angle lies "
            f"{peak_deg - held_deg:.0f} deg below the peak"
        )
    remark = "; ".join(said) + "." if said else ""
    speed = np.abs(curve.speed_deg_s[trusted])
    return (
        Repetition(
            start_s=start_s,
            peak_s=float(curve.time_s[peak]),
            end_s=end_s,
            peak_deg=peak_deg,
            held_deg=held_deg,
            start_deg=start_deg,
            peak_speed_deg_s=float(speed.max()),
            interval95_deg=(float("nan"), float("nan")),
            hold_start_s=from_s,
            hold_end_s=to_s,
            vertical_held_deg=mean_between(curve, curve.vertical_deg, from_s=from_s, to_s=to_s),
        ),
        remark,
    )


def _unseen_at_top(curve: SmoothCurve, part: Ints, top_from_deg: float) -> str:
    """Say where samples as high as the top cannot be trusted, so that a higher one may be missed; empty if nowhere."""
    trusted = curve.trusted[part]
    doubtful = np.flatnonzero((curve.angle_deg[part] >= top_from_deg) & ~trusted)
    if doubtful.size == 0:
        return ""
    sure = np.flatnonzero(trusted)
    if doubtful[0] < sure[0]:
        return "before the first pictures that can be trusted"
    if doubtful[-1] > sure[-1]:
        return "after the last pictures that can be trusted"
    return "in a gap in the tracking"


def _not_seen(one: Raise, unseen: str, *, start_deg: float) -> list[str]:
    """Put in words what was not seen of a repetition that was kept."""
    said = []
    if not one.raise_seen:
        said.append(f"the raise was not seen, so its first value ({start_deg:.0f} deg) is no start angle")
    elif one.cut_at_start:
        said.append(
            f"the beginning of the raise was not seen, so its first value ({start_deg:.0f} deg) is no start angle"
        )
    if not one.return_seen:
        said.append("the return was not seen")
    elif one.cut_at_end:
        said.append("the end of the return was not seen")
    if unseen:
        said.append(f"a higher point may lie {unseen}")
    return said
