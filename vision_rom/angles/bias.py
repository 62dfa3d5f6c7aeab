"""What is left of a learned direction's bias on people that the network never saw, taken off by one straight line.

The line is set on the calibration clips (``training/calibrate.py``), where it lowered the error of people left out of its fit.
It is bounded: it moves no angle by more than :data:`LARGEST_CORRECTION_DEG`, and below :data:`LEAST_FITTED_DEG` it stays as it
is there, since nothing was held lower.

Of rotations another part is known: the forearm is read as turned too far inwards, so that inward rotation comes out too large and
outward rotation too small. That is one constant with the sign of the movement.
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
    """Bias in degrees: ``constant_deg + slope * (angle - 90) + front_deg`` where the front is seen, ``+ turned_deg`` outwards."""

    constant_deg: float = 0.0
    slope: float = 0.0
    front_deg: float = 0.0
    turned_deg: float = 0.0
    """Of an axial rotation, outward positive, whichever way the movement counts"""

    def bias_deg(self, angle_deg: Floats, *, front: bool, direction: int = 1) -> Floats:
        """Return the bias of each angle (n,); NaN stays NaN. ``direction`` is -1 where a rotation counts inwards."""
        inside = np.clip(angle_deg, LEAST_FITTED_DEG, LARGEST_FITTED_DEG)
        bias = self.constant_deg + self.slope * (inside - MIDDLE_DEG) + (self.front_deg if front else 0.0)
        bias += direction * self.turned_deg
        return np.asarray(np.clip(bias, -LARGEST_CORRECTION_DEG, LARGEST_CORRECTION_DEG))


def fit_bias_line(angle_deg: Floats, error_deg: Floats, front: Floats) -> BiasLine:
    """Return the line through the errors (n,) of read angles (n,) by least squares; ``front`` (n,) is 1 or 0."""
    columns = np.column_stack([np.ones_like(angle_deg), angle_deg - MIDDLE_DEG, front])
    constant, slope, front_deg = np.linalg.lstsq(columns, error_deg, rcond=None)[0]
    return BiasLine(float(constant), float(slope), float(front_deg))


def fit_turned_deg(error_deg: Floats, direction: Floats) -> tuple[float, float]:
    """Return by how much rotations are read too far outwards, and the standard error of that; both in degrees.

    Parameters
    ----------
    error_deg, direction
        (n,) errors, and 1 where the movement counts outwards or -1 where inwards. What rotations of both directions err by
        alike is left out; where one direction or a third clip is missing nothing is known: 0, give or take infinity.

    """
    if len(error_deg) < 3 or len(np.unique(direction)) < 2:
        return 0.0, float("inf")
    columns = np.column_stack([np.ones_like(error_deg), direction])
    fitted = np.linalg.lstsq(columns, error_deg, rcond=None)[0]
    left = error_deg - columns @ fitted
    variance = float(left @ left) / (len(left) - 2) * np.linalg.inv(columns.T @ columns)
    return float(fitted[1]), float(np.sqrt(variance[1, 1]))
