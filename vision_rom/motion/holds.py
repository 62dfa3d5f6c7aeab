"""The held value: what the arm keeps up for half a second, as against what it touches for an instant."""

from __future__ import annotations

import numpy as np

from vision_rom.handover import Floats, SmoothCurve

HOLD_LENGTH_S = 0.5
"""Part of the definition of ``held_deg``; a change of it would look like a change of the patient."""


def held_value(
    curve: SmoothCurve, *, start_s: float, end_s: float, length_s: float = HOLD_LENGTH_S
) -> tuple[float, float, float]:
    """Return the largest mean of the smoothed curve over any ``length_s`` between two times, and where it lies.

    The mean is taken over time (trapezoids), over as many whole grid steps as come nearest to ``length_s``, and only
    over samples that are all trusted, so never across a gap. The maximum of a noisy curve reads high, the more so the
    longer the hold; this mean hardly does.

    Returns
    -------
    (held_deg, from_s, to_s)
        Three NaN where no such stretch of trusted samples exists.

    """
    nothing = (float("nan"), float("nan"), float("nan"))
    if curve.time_s.size < 2:
        return nothing
    step_s = grid_step_s(curve)
    steps = max(1, round(length_s / step_s))
    inside = (curve.time_s >= start_s - 1e-3 * step_s) & (curve.time_s <= end_s + 1e-3 * step_s)
    usable = inside & curve.trusted
    if curve.time_s.size <= steps:
        return nothing
    missing = np.concatenate(([0], np.cumsum(~usable)))
    whole = missing[steps + 1 :] == missing[: -steps - 1]
    if not whole.any():
        return nothing
    means = np.where(whole, _running_mean(np.where(usable, curve.angle_deg, 0.0), steps), -np.inf)
    first = int(np.argmax(means))
    return float(means[first]), float(curve.time_s[first]), float(curve.time_s[first + steps])


def mean_between(curve: SmoothCurve, values: Floats, *, from_s: float, to_s: float) -> float:
    """Return the mean over time of ``values`` (m,) on the curve's grid between two grid times; NaN if one is missing."""
    if not (np.isfinite(from_s) and np.isfinite(to_s)):
        return float("nan")
    step_s = grid_step_s(curve)
    inside = (curve.time_s >= from_s - 1e-3 * step_s) & (curve.time_s <= to_s + 1e-3 * step_s)
    chosen = values[inside]
    if chosen.size < 2:
        return float("nan")
    return float(np.trapezoid(chosen) / (chosen.size - 1))


def grid_step_s(curve: SmoothCurve) -> float:
    """Return the even step of the curve's grid; NaN with fewer than two samples."""
    if curve.time_s.size < 2:
        return float("nan")
    return float((curve.time_s[-1] - curve.time_s[0]) / (curve.time_s.size - 1))


def _running_mean(values: Floats, steps: int) -> Floats:
    """Return the mean over ``steps`` grid steps that begin at each sample, (m - steps,)."""
    area = np.concatenate(([0.0], np.cumsum((values[1:] + values[:-1]) / 2)))
    return (area[steps:] - area[:-steps]) / steps
