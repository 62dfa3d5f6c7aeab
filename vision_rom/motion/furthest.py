"""The furthest value that is kept up for half a second, in samples at the camera's own times and in any unit."""

from __future__ import annotations

import numpy as np

from vision_rom.angles.vectors import running_median
from vision_rom.handover import Floats
from vision_rom.motion.holds import HOLD_LENGTH_S

STEADY_S = 0.35
"""Jumps of single pictures are taken out by a running median over this time."""


def furthest_kept(time_s: Floats, values: Floats, *, smaller_is_further: bool) -> tuple[float, float, float]:
    """Return the furthest mean over :data:`~vision_rom.motion.holds.HOLD_LENGTH_S`, and where it begins and ends.

    Three NaN where no such stretch is without a gap. ``values`` (n,) may hold NaN.
    """
    nothing = (float("nan"), float("nan"), float("nan"))
    if len(time_s) < 3:
        return nothing
    step_s = float(np.median(np.diff(time_s)))
    width = max(round(HOLD_LENGTH_S / step_s), 1) + 1
    if len(values) < width:
        return nothing
    steady = np.where(
        np.isfinite(values), running_median(values, half_width=max(round(STEADY_S / 2 / step_s), 1)), np.nan
    )
    means = np.lib.stride_tricks.sliding_window_view(steady, width).mean(axis=1)
    lasts = time_s[width - 1 :] - time_s[: len(time_s) - width + 1]
    means = np.where(lasts < 1.5 * HOLD_LENGTH_S, means, np.nan)
    if not np.isfinite(means).any():
        return nothing
    best = int(np.nanargmin(means) if smaller_is_further else np.nanargmax(means))
    return float(means[best]), float(time_s[best]), float(time_s[best + width - 1])
