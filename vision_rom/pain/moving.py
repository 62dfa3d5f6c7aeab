"""What the curve of a moving arm reads too low, taken off before pain is read from it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vision_rom.handover import Bools, Floats, SmoothCurve

RAISING_LOW_DEG, LOWERING_LOW_DEG = 0.8, 2.9
"""By so much an elevation by the arm network, whose remaining bias was set on held arms, reads low at 75 degrees and 40 to 50 degrees a
second, on the way up and, with the other hand held up, on the way down. These two and the slope were fitted together to 158 instants of 80
rendered people (71001 to 71040 and 73001 to 73040 of ``proof/pain_bench.py``; standard errors 0.2, 0.3 and 0.012); fitted on either
forty alone, they brought the other forty from 94 and 92 to 96 and 95 in 100 within 5 degrees, as far as the curve goes."""
LOW_PER_DEG = -0.059
"""It reads less low further up."""
MIDDLE_DEG = 75.0
FITTED_FROM_DEG, FITTED_TO_DEG = 40.0, 110.0
"""Beyond these the slope stops."""
FULL_SPEED_DEG_S = 20.0
"""From this speed on all of it is taken off, below in proportion. Our own choice."""


def as_if_held(curve: SmoothCurve) -> SmoothCurve:
    """Return the curve with its bias while moving taken off; a held arm stays as it is."""
    moving = np.clip(np.abs(curve.speed_deg_s) / FULL_SPEED_DEG_S, 0.0, 1.0)
    low_deg = reads_low_deg(curve.angle_deg, lowering=curve.speed_deg_s < 0)
    return replace(curve, angle_deg=curve.angle_deg + low_deg * moving)


def reads_low_deg(angle_deg: Floats, *, lowering: Bools) -> Floats:
    """Return by how much a moving arm's angles (n,) read low; ``lowering`` (n,) is True on the way down, NaN angles stay NaN."""
    inside = np.clip(angle_deg, FITTED_FROM_DEG, FITTED_TO_DEG)
    at_middle = np.where(lowering, LOWERING_LOW_DEG, RAISING_LOW_DEG)
    return np.asarray(at_middle + LOW_PER_DEG * (inside - MIDDLE_DEG))
