"""What is left of a learned direction's bias on people that the network never saw, taken off by one straight line.

The line is set on the calibration clips (``training/calibrate.py``), where it lowered the error of people left out of its fit.
It is bounded: it moves no angle by more than :data:`LARGEST_CORRECTION_DEG`, and below :data:`LEAST_FITTED_DEG` it stays as it
is there, since nothing was held lower.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision_rom.handover import Floats

MIDDLE_DEG = 90.0
LEAST_FITTED_DEG = 30.0
LARGEST_FITTED_DEG = 180.0
LARGEST_CORRECTION_DEG = 6.0


@dataclass(frozen=True, slots=True)
class BiasLine:
    """Bias in degrees: ``constant_deg + slope * (angle - 90) + front_deg`` where the front is seen."""

    constant_deg: float = 0.0
    slope: float = 0.0
    front_deg: float = 0.0

    def bias_deg(self, angle_deg: Floats, *, front: bool) -> Floats:
        """Return the bias of each angle (n,); NaN stays NaN."""
        inside = np.clip(angle_deg, LEAST_FITTED_DEG, LARGEST_FITTED_DEG)
        bias = self.constant_deg + self.slope * (inside - MIDDLE_DEG) + (self.front_deg if front else 0.0)
        return np.asarray(np.clip(bias, -LARGEST_CORRECTION_DEG, LARGEST_CORRECTION_DEG))


def fit_bias_line(angle_deg: Floats, error_deg: Floats, front: Floats) -> BiasLine:
    """Return the line through the errors (n,) of read angles (n,) by least squares; ``front`` (n,) is 1 or 0."""
    columns = np.column_stack([np.ones_like(angle_deg), angle_deg - MIDDLE_DEG, front])
    constant, slope, front_deg = np.linalg.lstsq(columns, error_deg, rcond=None)[0]
    return BiasLine(float(constant), float(slope), float(front_deg))
