"""The painful arc: at which angles it began to hurt and stopped, going up and coming down, for each repetition and for all.

A description of what was signalled, never a diagnosis.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from vision_rom.handover import Floats, Repetition, SmoothCurve
from vision_rom.pain.marks import PainMark
from vision_rom.pain.reaction import REACTIONS, TOO_FAST_DEG

Pattern = Literal["not recorded", "none", "arc", "end of range", "throughout"]

END_OF_RANGE_DEG = 10.0
"""Pain that begins within this of the top, going up, and stops within it coming down, is pain at the end of range."""
THROUGHOUT_SHARE = 0.9
"""Pain over more of the way up than this is pain throughout. Both are our own choice, no source."""

TOO_FAST = (
    "The arm moved too fast for a useful angle: how quickly a person reacts would change it by more than "
    f"{TOO_FAST_DEG:.0f} degrees either way. Ask for 3 to 5 seconds up and as long down."
)

NOT_SEEN = (
    "When pain began or stopped the measured arm could not be told: it was hidden, or the other arm passed before it. No angle is given there. "
    "Ask the patient to hold the signalling hand where it does not cover the measured arm, or film from the front."
)
LONGEST_HOLE_S = 0.5
"""Between two samples of the curve that are further apart no angle is read. Our own choice."""


@dataclass(frozen=True, slots=True)
class PainAngle:
    """An angle at which pain began or stopped."""

    angle_deg: float
    """NaN where the arm was not seen then"""
    interval95_deg: tuple[float, float]
    """From the angle's own interval and the arm's speed times the spread of reactions; NaN as the angle"""
    time_s: float
    """After the lag of reaction was taken off"""
    usable: bool
    """False where the interval is too wide for the angle to mean anything (see :data:`TOO_FAST`), or the arm was not seen"""

    @property
    def seen(self) -> bool:
        """Tell whether the arm was seen when it began or stopped (see :data:`NOT_SEEN`)."""
        return math.isfinite(self.angle_deg)


@dataclass(frozen=True, slots=True)
class PhasePain:
    """Pain on the way up or on the way down of one repetition."""

    onset: PainAngle | None
    """Where it began in this phase; None where it hurt already when the phase began"""
    end: PainAngle | None
    """Where it stopped; None where it still hurt when the phase ended, or the mark is an instant"""
    low_deg: float
    high_deg: float
    """Least and greatest angle that hurt"""
    start_s: float
    end_s: float
    """When, within the phase; equal for a mark that is an instant"""


@dataclass(frozen=True, slots=True)
class RepetitionPain:
    """Pain of one repetition."""

    raising: PhasePain | None
    lowering: PhasePain | None
    """None where nothing was signalled in the phase"""
    score: float
    """Worst of the marks, NaN without a score"""
    pain_free_deg: float
    """Largest angle reached before it hurt, going up"""
    largest_deg: float
    """Largest held angle, painful or not"""
    pattern: Pattern


@dataclass(frozen=True, slots=True)
class PainfulArc:
    """Pain of one reading."""

    pattern: Pattern
    repetitions: tuple[RepetitionPain, ...] = ()
    onset_raising: PainAngle | None = None
    end_raising: PainAngle | None = None
    onset_lowering: PainAngle | None = None
    end_lowering: PainAngle | None = None
    """Means over the repetitions that have one"""
    worst_score: float = float("nan")
    pain_free_deg: float = float("nan")
    """Least over the repetitions"""
    largest_deg: float = float("nan")
    sources: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()


def painful_arc(repetitions: Sequence[Repetition], curve: SmoothCurve, marks: Sequence[PainMark] | None) -> PainfulArc:
    """Put marks and angles together.

    Parameters
    ----------
    repetitions
        With their intervals.
    curve
        The smoothed curve that they come from.
    marks
        In order of time; None where nobody recorded pain, which is not the same as none (an empty sequence: asked, and
        it did not hurt).

    """
    largest = max((one.held_deg for one in repetitions), default=math.nan)
    if marks is None:
        return PainfulArc("not recorded", largest_deg=largest)
    each = tuple(_of_repetition(one, curve, marks) for one in repetitions)
    hurting = [one for one in each if one.pattern != "none"]
    sources = tuple(sorted({one.source for one in marks}))
    free = min((one.pain_free_deg for one in each), default=math.nan)
    if not hurting:
        stray = ("No pain mark falls into a repetition.",) if marks else ()
        return PainfulArc("none", each, pain_free_deg=free, largest_deg=largest, sources=sources, remarks=stray)
    phases = {
        "raising": [one.raising for one in hurting if one.raising],
        "lowering": [one.lowering for one in hurting if one.lowering],
    }
    pooled = {
        f"{where}_{name}": _pooled([angle for phase in of_phase if (angle := getattr(phase, where)) is not None])
        for name, of_phase in phases.items()
        for where in ("onset", "end")
    }
    scores = [one.score for one in hurting if math.isfinite(one.score)]
    unusable = [one for one in pooled.values() if one is not None and not one.usable]
    remarks = [TOO_FAST] if any(one.seen for one in unusable) else []
    remarks += [NOT_SEEN] if any(not one.seen for one in unusable) else []
    remarks += _beside_published(phases["raising"] + phases["lowering"])
    return PainfulArc(
        pattern=_commonest([one.pattern for one in hurting]),
        repetitions=each,
        onset_raising=pooled["onset_raising"],
        end_raising=pooled["end_raising"],
        onset_lowering=pooled["onset_lowering"],
        end_lowering=pooled["end_lowering"],
        worst_score=max(scores, default=math.nan),
        pain_free_deg=free,
        largest_deg=largest,
        sources=sources,
        remarks=tuple(remarks),
    )


def _of_repetition(repetition: Repetition, curve: SmoothCurve, marks: Sequence[PainMark]) -> RepetitionPain:
    top_s = repetition.peak_s
    raising, up_marks = _phase(repetition, curve, marks, repetition.start_s, top_s)
    lowering, down_marks = _phase(repetition, curve, marks, top_s, repetition.end_s)
    scores = [one.score for one in (*up_marks, *down_marks) if math.isfinite(one.score)]
    # angles of onset before and at the top are compared with the smoothed maximum, as that is what the curve shows
    free = repetition.held_deg if raising is None else min(raising.low_deg, repetition.held_deg)
    return RepetitionPain(
        raising=raising,
        lowering=lowering,
        score=max(scores, default=math.nan),
        pain_free_deg=free,
        largest_deg=repetition.held_deg,
        pattern=_pattern(raising, lowering, repetition),
    )


def _phase(
    repetition: Repetition, curve: SmoothCurve, marks: Sequence[PainMark], from_s: float, to_s: float
) -> tuple[PhasePain | None, list[PainMark]]:
    """Return the pain between two times; several marks of one phase count from the first onset to the last end."""
    inside: list[tuple[float, float, PainMark]] = []
    for mark in marks:
        lag = REACTIONS[mark.source].lag_s
        start_s, end_s = mark.start_s - lag, mark.end_s - lag
        if start_s < to_s and end_s >= from_s and (end_s > from_s or start_s >= from_s):
            inside.append((start_s, end_s, mark))
    if not inside:
        return None, []
    start_s, _, first = inside[0]
    _, end_s, last = max(inside, key=lambda one: one[1])
    onset = _angle_at(start_s, repetition, curve, first) if start_s >= from_s else None
    instant = len(inside) == 1 and first.start_s == first.end_s
    end = None if instant or end_s > to_s else _angle_at(end_s, repetition, curve, last)
    painful = (curve.time_s >= max(start_s, from_s)) & (curve.time_s <= min(max(end_s, start_s + 1e-6), to_s))
    angles = curve.angle_deg[painful & np.isfinite(curve.angle_deg)]
    known = [*(one.angle_deg for one in (onset, end) if one is not None), *([] if instant else angles.tolist())]
    known = [one for one in known if math.isfinite(one)]
    low, high = (min(known), max(known)) if known else (math.nan, math.nan)
    hurts_from, hurts_to = max(start_s, from_s), min(max(end_s, start_s), to_s)
    return PhasePain(onset, end, low, high, hurts_from, hurts_to), [mark for _, _, mark in inside]


def _angle_at(time_s: float, repetition: Repetition, curve: SmoothCurve, mark: PainMark) -> PainAngle:
    known = np.isfinite(curve.angle_deg)
    if not _seen_at(time_s, curve.time_s[known]):
        return PainAngle(math.nan, (math.nan, math.nan), time_s, usable=False)
    angle = float(np.interp(time_s, curve.time_s[known], curve.angle_deg[known]))
    around = REACTIONS[mark.source].half_width_s()
    # the curve bends within the spread of reactions, so its ends are looked up instead of multiplying by a speed
    ends = np.interp([time_s - around, time_s, time_s + around], curve.time_s[known], curve.angle_deg[known])
    low, high = repetition.interval95_deg
    own = (high - low) / 2 if math.isfinite(low) and math.isfinite(high) else 0.0
    below, above = math.hypot(own, angle - float(ends.min())), math.hypot(own, float(ends.max()) - angle)
    reaction = (float(ends.max()) - float(ends.min())) / 2
    return PainAngle(angle, (angle - below, angle + above), time_s, reaction <= TOO_FAST_DEG)


def _seen_at(time_s: float, known_s: Floats) -> bool:
    """Tell whether the curve has samples close enough on both sides of an instant, or reaches close to it at its end."""
    after = int(np.searchsorted(known_s, time_s))
    if 0 < after < len(known_s):
        return float(known_s[after] - known_s[after - 1]) <= LONGEST_HOLE_S
    return len(known_s) > 0 and float(np.abs(known_s - time_s).min()) <= LONGEST_HOLE_S


def _pattern(raising: PhasePain | None, lowering: PhasePain | None, repetition: Repetition) -> Pattern:
    if raising is None and lowering is None:
        return "none"
    lows = [one.low_deg for one in (raising, lowering) if one is not None]
    if all(one >= repetition.peak_deg - END_OF_RANGE_DEG for one in lows):
        return "end of range"
    if raising is not None:
        way = repetition.peak_deg - repetition.start_deg
        if way > 0 and raising.high_deg - raising.low_deg >= THROUGHOUT_SHARE * way:
            return "throughout"
    return "arc"


def _pooled(angles: Sequence[PainAngle]) -> PainAngle | None:
    """Return the mean of the angles with an interval that also spans how far they lie apart."""
    # one that is blurred says more than one that was not seen
    usable = [one for one in angles if one.usable] or [one for one in angles if one.seen] or list(angles)
    if not usable:
        return None
    values = np.array([one.angle_deg for one in usable])
    bounds = np.array([one.interval95_deg for one in usable])
    mean = float(values.mean())
    below = max(float((values - bounds[:, 0]).mean()), mean - float(values.min()))
    above = max(float((bounds[:, 1] - values).mean()), float(values.max()) - mean)
    return PainAngle(mean, (mean - below, mean + above), usable[0].time_s, all(one.usable for one in usable))


def _commonest(patterns: Sequence[Pattern]) -> Pattern:
    return max(sorted(set(patterns)), key=patterns.count)


@dataclass(frozen=True, slots=True)
class _Published:
    low_deg: float
    high_deg: float
    sentence: str


_PUBLISHED = (
    _Published(
        60.0,
        120.0,
        "The painful angles overlap with 60 to 120 degrees of raising, the arc described by Kessel and Watson 1977. As a test for "
        "subacromial pain such an arc had a sensitivity of 0.53 and a specificity of 0.76 (pooled, Hegedus et al. 2012, Br J Sports "
        "Med 46:964; single studies 0.33 to 0.75 and 0.67 to 0.81): it neither proves nor excludes anything.",
    ),
    _Published(
        170.0,
        180.0,
        "The painful angles reach the last part of raising (170 to 180 degrees), where pain of the acromioclavicular joint is "
        "described (clinical textbooks; no sensitivity or specificity is known to us).",
    ),
)


def _beside_published(phases: Sequence[PhasePain]) -> list[str]:
    sentences = []
    for known in _PUBLISHED:
        if any(one.low_deg <= known.high_deg and one.high_deg >= known.low_deg for one in phases):
            sentences.append(known.sentence)
    return sentences
