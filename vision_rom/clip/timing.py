"""What the times of the pictures say: order, thinning, rate, gaps, slow motion, missing end.

Pure computation on seconds; nothing here knows of files.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from vision_rom.handover import Floats
from vision_rom.spool import by_blocks

GAP_FACTOR = 2.5
"""A step longer than this many median steps is a gap: at least one picture in between was not recorded or is lost."""

SINGLE_FACTOR = 1.5
"""A step longer than this, in an even series, is one picture that is missing."""
UNEVEN_STEP = 0.2
UNEVEN_SHARE = 0.01
"""The rate counts as variable where more than this share of the steps (and more than one) is off the median by more
than ``UNEVEN_STEP`` of it. Common practice, no source: time stamps in whole milliseconds move a step by 3 % at most."""

SAME_RATE_FACTOR = 1.4
CHANGED_RATE_FACTOR = 1.75
STRETCH_STEPS = 12
STRETCH_S = 0.25
SMOOTHING_STEPS = 7
"""A stretch is a run of at least ``STRETCH_STEPS`` steps and ``STRETCH_S`` seconds whose running median stays within
``SAME_RATE_FACTOR`` of where the run began; rates that differ by ``CHANGED_RATE_FACTOR`` are told to the user. The usual
slow-motion factors are 2, 4 and 8. No source: chosen so that a factor of 2 is found and a lost picture is not."""

_STEP_WEIGHT = 0.2
"""Share of the newest step in the running mean that thinning expects the next step by."""


@dataclass(slots=True)
class IncreasingTimes:
    """Lets a time pass only if it is later than all before it."""

    latest_s: float = -math.inf
    equal: int = 0
    backwards: int = 0
    refused_s: list[float] = field(default_factory=list)
    """The first few refused times, for the sentence to the user."""

    def accept(self, time_s: float) -> bool:
        """Say whether this time goes on; count it where it does not."""
        if time_s > self.latest_s:
            self.latest_s = time_s
            return True
        if time_s == self.latest_s:
            self.equal += 1
        else:
            self.backwards += 1
        if len(self.refused_s) < 3:
            self.refused_s.append(time_s)
        return False


@dataclass(slots=True)
class Thinning:
    """Chooses pictures by their time so that about ``wanted_rate_hz`` of them are left.

    A picture is kept when waiting for the next one (expected one usual step later) would come no nearer
    to the wanted step. A recording near or below the wanted rate is therefore never thinned, and one at a whole
    multiple of it is thinned evenly.
    """

    wanted_rate_hz: float | None
    _last_kept_s: float = -math.inf
    _previous_s: float = -math.inf
    _usual_step_s: float = math.inf
    """Running mean, so that jitter alone costs no picture; a pause counts as two steps at most."""

    def keep(self, time_s: float) -> bool:
        """Say whether the picture at this time, later than all before it, is kept."""
        step_s = time_s - self._previous_s
        self._previous_s = time_s
        if self.wanted_rate_hz is not None and math.isfinite(step_s):
            if math.isinf(self._usual_step_s):
                self._usual_step_s = step_s
            self._usual_step_s += _STEP_WEIGHT * (min(step_s, 2.0 * self._usual_step_s) - self._usual_step_s)
            short_by_s = 1.0 / self.wanted_rate_hz - (time_s - self._last_kept_s)
            # half a step nearer is a draw, which keeps; the margin is for rounding in the last digit of the times
            if short_by_s > 0.5 * self._usual_step_s * (1.0 + 1e-6):
                return False
        self._last_kept_s = time_s
        return True


@dataclass(frozen=True, slots=True)
class Stretch:
    """A part of the recording with one rate."""

    start_s: float
    end_s: float
    rate_hz: float


def typical_step_s(times_s: Floats) -> float:
    """Mean of the steps near the median one, between (n,) increasing times; NaN with fewer than two.

    The plain median of steps in whole milliseconds (33, 33, 34) would make 30.3 Hz of 30.
    """
    if len(times_s) < 2:
        return math.nan
    steps_s = np.diff(times_s)
    # the lower one of two middle steps: a step that exists, so that the mean below is never empty
    median_s = np.quantile(steps_s, 0.5, method="lower")
    return float(np.mean(steps_s[np.abs(steps_s - median_s) <= UNEVEN_STEP * median_s]))


def last_picture_s(recorded_s: float, step_s: float) -> float:
    """How long the last picture lasts: as recorded, else (nothing, or a mere tick, is recorded) a typical step.

    A single picture without a recorded duration lasts 0 s.
    """
    if math.isnan(step_s):
        return recorded_s
    return recorded_s if recorded_s >= 0.5 * step_s else step_s


def is_variable(times_s: Floats) -> bool:
    """Say whether the steps between (n,) increasing times are uneven."""
    if len(times_s) < 3:
        return False
    steps_s = np.diff(times_s)
    median_s = np.median(steps_s)
    uneven = int(np.count_nonzero(np.abs(steps_s - median_s) > UNEVEN_STEP * median_s))
    return uneven > max(1.0, UNEVEN_SHARE * len(steps_s))


def gaps_s(times_s: Floats) -> tuple[tuple[float, float], ...]:
    """(start, end) of every step longer than ``GAP_FACTOR`` median steps, in seconds."""
    if len(times_s) < 3:
        return ()
    steps_s = np.diff(times_s)
    places = np.flatnonzero(steps_s > GAP_FACTOR * np.median(steps_s))
    return tuple((float(times_s[i]), float(times_s[i + 1])) for i in places)


def lost_singly_s(times_s: Floats) -> tuple[float, ...]:
    """Times after which a single picture is missing from an even series; none where the rate varies anyway."""
    if len(times_s) < 4 or is_variable(times_s):
        return ()
    steps_s = np.diff(times_s)
    median_s = np.median(steps_s)
    return tuple(times_s[:-1][(steps_s > SINGLE_FACTOR * median_s) & (steps_s <= GAP_FACTOR * median_s)].tolist())


def stretches(times_s: Floats) -> tuple[Stretch, ...]:
    """Parts of the recording that keep one rate for a while; what lies between them is left out."""
    if len(times_s) <= STRETCH_STEPS:
        return ()
    steps_s = np.diff(times_s)
    half = SMOOTHING_STEPS // 2
    windows = sliding_window_view(np.pad(steps_s, half, mode="edge"), SMOOTHING_STEPS)
    smooth_s = by_blocks(len(windows), lambda rows: np.asarray(np.median(windows[rows], axis=1)))
    bounds = [0]
    reference_s = smooth_s[0]
    for place, step_s in enumerate(smooth_s):
        if not reference_s / SAME_RATE_FACTOR < step_s < reference_s * SAME_RATE_FACTOR:
            bounds.append(place)
            reference_s = step_s
    bounds.append(len(steps_s))
    found = [
        Stretch(float(times_s[first]), float(times_s[last]), 1.0 / float(np.median(steps_s[first:last])))
        for first, last in pairwise(bounds)
        if last - first >= STRETCH_STEPS and times_s[last] - times_s[first] >= STRETCH_S
    ]
    return tuple(found)


def rate_changes(times_s: Floats) -> tuple[Stretch, ...]:
    """Return the stretches where their rates differ so much that slow motion is possible, else nothing.

    Neighbours of about the same rate are joined.
    """
    joined: list[Stretch] = []
    for part in stretches(times_s):
        if joined and 1 / SAME_RATE_FACTOR < part.rate_hz / joined[-1].rate_hz < SAME_RATE_FACTOR:
            joined[-1] = Stretch(joined[-1].start_s, part.end_s, joined[-1].rate_hz)
        else:
            joined.append(part)
    rates_hz = [part.rate_hz for part in joined]
    if len(rates_hz) < 2 or max(rates_hz) < CHANGED_RATE_FACTOR * min(rates_hz):
        return ()
    return tuple(joined)


def missing_end_s(
    end_s: float, declared_s: float | None, step_s: float, tolerance_s: float, *, even: bool = False
) -> float:
    """Seconds by which the pictures end before the declared duration; 0 where they do not or none is declared.

    Differences up to ``tolerance_s`` or ``GAP_FACTOR`` steps are no loss: the sound may outlast the picture a little. Where the
    duration is that of ``even`` pictures, half a step is a picture.
    """
    if declared_s is None:
        return 0.0
    short_s = declared_s - end_s
    if even and math.isfinite(step_s):
        return short_s if short_s > (SINGLE_FACTOR - 1) * step_s else 0.0
    allowed_s = max(tolerance_s, GAP_FACTOR * step_s if math.isfinite(step_s) else 0.0)
    return short_s if short_s > allowed_s else 0.0
