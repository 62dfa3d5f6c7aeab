"""Both arms at once: where their paths part."""

from __future__ import annotations

import numpy as np

from vision_rom.handover import Reading, SmoothCurve

TOLD_FROM_DEG = 15.0
"""Smaller differences of the two curves are within what each of them errs by while moving. Our own choice, no source."""


def asymmetry_remark(left: Reading, right: Reading, left_curve: SmoothCurve, right_curve: SmoothCurve) -> str:
    """Sentence on the largest difference of two arms that were raised together, or nothing.

    Only repetitions that overlap by more than half are compared, at the same instants.
    """
    largest, at_s = 0.0, float("nan")
    for one in left.repetitions:
        for other in right.repetitions:
            start, end = max(one.start_s, other.start_s), min(one.end_s, other.end_s)
            if end - start < 0.5 * max(one.end_s - one.start_s, other.end_s - other.start_s):
                continue
            times = left_curve.time_s[(left_curve.time_s >= start) & (left_curve.time_s <= end)]
            apart = np.interp(times, left_curve.time_s, left_curve.angle_deg) - np.interp(
                times, right_curve.time_s, right_curve.angle_deg
            )
            if np.isfinite(apart).any():
                row = int(np.nanargmax(np.abs(apart)))
                if abs(apart[row]) > abs(largest):
                    largest, at_s = float(apart[row]), float(times[row])
    if abs(largest) < TOLD_FROM_DEG:
        return ""
    ahead, behind = ("left", "right") if largest > 0 else ("right", "left")
    return f"The arms parted: at {at_s:.1f} s the {ahead} one was {abs(largest):.0f}° further than the {behind} one."
