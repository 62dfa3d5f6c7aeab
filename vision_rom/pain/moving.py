"""What the curve of a moving arm reads too low, taken off before pain is read from it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vision_rom.handover import SmoothCurve

READS_LOW_DEG = 2.5
"""By so much an elevation by the arm network, whose remaining bias was set on held arms, reads low at about 40 degrees a second: on
50 instants of 25 rendered people (``proof/pain_bench.py``, people 70001 to 70026) 2.7 on average, 0.9 to 4.0 by movement and phase."""
FULL_SPEED_DEG_S = 20.0
"""From this speed on all of it is taken off, below in proportion. Our own choice."""


def as_if_held(curve: SmoothCurve) -> SmoothCurve:
    """Return the curve with its bias while moving taken off; a held arm stays as it is."""
    moving = np.clip(np.abs(curve.speed_deg_s) / FULL_SPEED_DEG_S, 0.0, 1.0)
    return replace(curve, angle_deg=curve.angle_deg + READS_LOW_DEG * moving)
