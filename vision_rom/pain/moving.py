"""What the curve of a moving arm reads too low, taken off before pain is read from it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vision_rom.handover import SmoothCurve

READS_LOW_DEG = 1.7
"""By so much an elevation by the arm network, whose remaining bias was set on held arms, reads low at 40 to 50 degrees a second: mean over
130 instants of 65 rendered people (``proof/pain_bench.py``; 2.7 in the first 25, 1.1 in the other 40)."""
FULL_SPEED_DEG_S = 20.0
"""From this speed on all of it is taken off, below in proportion. Our own choice."""


def as_if_held(curve: SmoothCurve) -> SmoothCurve:
    """Return the curve with its bias while moving taken off; a held arm stays as it is."""
    moving = np.clip(np.abs(curve.speed_deg_s) / FULL_SPEED_DEG_S, 0.0, 1.0)
    return replace(curve, angle_deg=curve.angle_deg + READS_LOW_DEG * moving)
