"""How far the plane of motion lies off the picture, what that does to an angle, and how to undo it.

The plane of motion stands upright on the trunk's axis. Its azimuth is 0 for the frontal plane (arm straight to its own
side) and 90 for the sagittal plane (arm straight ahead). With the plane turned psi out of the picture, an orthographic
camera shows

    tan(apparent) = tan(true) * cos(psi), the quadrant kept,

so 90 stays 90, smaller angles read low and larger ones high.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from vision_rom.angles.vectors import wrapped_deg
from vision_rom.handover import Floats, Side

Plane = Literal["frontal", "scapular", "sagittal"]

SCAPULAR_AZIMUTH_DEG = 35.0
"""Common texts put the scapular plane 30 to 45 degrees before the frontal plane; trade convention, no single source."""

PLANE_AZIMUTH_DEG: dict[Plane, float] = {"frontal": 0.0, "scapular": SCAPULAR_AZIMUTH_DEG, "sagittal": 90.0}

PLANE_AZIMUTH_SD_DEG: dict[Plane, float] = {"frontal": 5.0, "scapular": 8.0, "sagittal": 5.0}
"""How far people stray from the plane they were asked for; assumed, no source."""

GREATEST_OFF_PLANE_DEG = 50.0
"""Beyond it nothing is measured: the cosine falls below 0.65 and each degree of doubt costs more than half a degree."""


def plane_turn_deg(azimuth_deg: ArrayLike, facing_deg: ArrayLike, side: Side) -> Floats:
    """Turn of the arm's plane against the picture's right-pointing axis, in [-180, 180).

    0: the outward (positive) direction of the plane points to the side of the picture where that arm lies in a view
    from the front; 180: to the other side; 90 or -90: away from or towards the camera, nothing to be seen.
    ``facing_deg`` as in :class:`vision_rom.angles.ViewEstimate`.
    """
    facing = np.asarray(facing_deg, np.float64)
    azimuth = np.asarray(azimuth_deg, np.float64)
    return wrapped_deg(azimuth - facing if side == "left" else azimuth + facing)


def off_plane_deg(azimuth_deg: ArrayLike, facing_deg: ArrayLike, side: Side) -> Floats:
    """Angle between the arm's plane and the picture, 0 (seen squarely) to 90 (seen on edge)."""
    turn = np.abs(plane_turn_deg(azimuth_deg, facing_deg, side))
    return np.where(turn > 90.0, 180.0 - turn, turn)


def outward_sign(azimuth_deg: float, facing_deg: float, side: Side) -> int:
    """+1 where the plane's positive direction points to the right of the picture, -1 where to the left."""
    to_own_side = np.cos(np.radians(plane_turn_deg(azimuth_deg, facing_deg, side))) >= 0
    return 1 if bool(to_own_side) == (side == "left") else -1


def apparent_deg(true_deg: ArrayLike, off_deg: ArrayLike) -> Floats:
    """Elevation that an orthographic camera shows when the plane is ``off_deg`` off the picture, in (-180, 180]."""
    true, psi = np.radians(np.asarray(true_deg, np.float64)), np.radians(np.asarray(off_deg, np.float64))
    return np.asarray(np.degrees(np.arctan2(np.sin(true) * np.cos(psi), np.cos(true))))


def true_deg(apparent_deg: ArrayLike, off_deg: ArrayLike) -> Floats:
    """Elevation behind an apparent one, the inverse of :func:`apparent_deg`, in (-180, 180].

    NaN where the plane is seen on edge (``off_deg`` 90), where no elevation can be told.
    """
    seen, psi = np.radians(np.asarray(apparent_deg, np.float64)), np.radians(np.asarray(off_deg, np.float64))
    squeeze = np.cos(psi)
    on_edge = np.abs(squeeze) < 1e-9
    return np.where(on_edge, np.nan, np.degrees(np.arctan2(np.sin(seen), np.cos(seen) * squeeze)))


def believed_off_plane_deg(off_deg: float, sd_deg: float) -> float:
    """Turn to correct for, given an estimate of it and the estimate's standard deviation.

    An estimate that is nothing but noise has a mean square of ``sd_deg`` squared, and the correction grows with the
    square of the turn: taking that part away keeps a squarely filmed clip from being "corrected" on average.
    """
    return float(np.sqrt(max(0.0, off_deg**2 - sd_deg**2)))


def off_plane_sd_of_angle_deg(apparent: float, off_deg: float, sd_deg: float) -> float:
    """Standard deviation of the true angle when the turn is ``off_deg`` give or take ``sd_deg``.

    By nine-point Gauss-Hermite quadrature over the turn, so that a turn near 0, where the slope vanishes, still costs
    what its curvature costs. The turn is kept below 85 degrees.
    """
    if not np.isfinite([apparent, off_deg, sd_deg]).all():
        return float("nan")
    nodes, weights = np.polynomial.hermite_e.hermegauss(9)
    turns = np.minimum(np.abs(off_deg + sd_deg * nodes), 85.0)
    spread = wrapped_deg(true_deg(apparent, turns) - apparent)
    share = weights / weights.sum()
    return float(np.sqrt(np.sum(share * (spread - np.sum(share * spread)) ** 2)))


@dataclass(frozen=True, slots=True)
class PlaneDisagreement:
    """How far the camera stood off the plane of motion, and where that is known from."""

    off_plane_deg: float
    """0 to 90, the value to work with; NaN where unknown."""
    sd_deg: float
    """Its standard deviation; NaN where unknown."""
    from_arm_deg: float
    """From the arm's own foreshortening near 90 degrees against hanging; NaN where the arm was not seen in both."""
    sentence: str
    """For the user; empty where the camera faced the plane within :data:`SILENT_OFF_PLANE_DEG`, as far as is known."""


SILENT_OFF_PLANE_DEG = 15.0
"""Up to here the error of an uncorrected angle stays below 1 degree."""

SURE_OFF_PLANE_DEG = 5.0
"""The user is told of a turn only where it exceeds this by one standard deviation, so that doubt alone says nothing."""

ARM_LENGTH_AT_90 = 0.90
"""Seen length of a squarely filmed arm at 90 degrees over hanging: the shoulder's mark climbs and moves with the arm.
Measured on 24 rendered people with the full network: 0.92 in abduction, 0.82 in flexion."""

ARM_FORESHORTENING_SD = 0.12
"""Standard deviation of that ratio; 0.06 to 0.08 within either movement on the same people, more between them."""


LEAST_ARM_SD_DEG = 5.0
"""The arm's witness is never taken for better than this; assumed."""


def off_plane_from_arm_deg(
    arm_px: ArrayLike, trunk_px: ArrayLike, apparent: ArrayLike, *, at_90: float = ARM_LENGTH_AT_90
) -> tuple[float, float]:
    """Turn of the plane from cos(psi) = arm's length at 90 degrees / arm's length hanging.

    Parameters
    ----------
    arm_px, trunk_px : (n,) seen lengths of upper arm and trunk; their ratio is free of the distance to the camera.
    apparent : (n,) apparent elevation in degrees; 75 to 105 counts as raised, below 30 as hanging.
    at_90 : seen length at 90 degrees over hanging when filmed squarely; 1 for true joint centres.

    Returns
    -------
    ``(off_deg, sd_deg)``; both NaN where fewer than three frames show the arm raised, or hanging.

    """
    ratio = np.asarray(arm_px, np.float64) / np.asarray(trunk_px, np.float64)
    seen = np.abs(np.asarray(apparent, np.float64))
    usable = np.isfinite(ratio) & np.isfinite(seen)
    raised, hanging = usable & (np.abs(seen - 90.0) < 15.0), usable & (seen < 30.0)
    if raised.sum() < 3 or hanging.sum() < 3:
        return float("nan"), float("nan")
    cosine = float(np.median(ratio[raised]) / np.median(ratio[hanging]) / at_90)
    cosines = np.clip([cosine, cosine - ARM_FORESHORTENING_SD, cosine + ARM_FORESHORTENING_SD], 0.0, 1.0)
    turns = np.degrees(np.arctan2(np.sqrt(1.0 - cosines**2), cosines))
    return float(turns[0]), float(max((turns[1] - turns[2]) / 2, LEAST_ARM_SD_DEG))


def plane_disagreement_deg(
    *,
    side: Side,
    plane: Plane,
    facing_deg: float,
    facing_sd_deg: float,
    from_arm_deg: float = float("nan"),
    from_arm_sd_deg: float = float("nan"),
) -> PlaneDisagreement:
    """Say by how much the camera and the plane of motion disagree.

    The trunk's turn and the plane that was asked for give one value. The arm's own foreshortening gives another, which
    knows the plane that was really used; where both are known they are weighted by their variances.
    """
    first = float(off_plane_deg(PLANE_AZIMUTH_DEG[plane], facing_deg, side))
    first_sd = float(np.hypot(facing_sd_deg, PLANE_AZIMUTH_SD_DEG[plane]))
    value, sd = first, first_sd
    if np.isfinite(first) and np.isfinite(from_arm_deg) and from_arm_sd_deg > 0:
        w = np.array([first_sd**-2, from_arm_sd_deg**-2])
        value, sd = float(np.dot(w, [first, from_arm_deg]) / w.sum()), float(w.sum() ** -0.5)
        # two witnesses that contradict each other leave more doubt than either admits
        sd = float(np.hypot(sd, max(0.0, abs(first - from_arm_deg) - 2 * np.hypot(first_sd, from_arm_sd_deg)) / 2))
    sentence = ""
    if not np.isfinite(value):
        sentence = "It could not be told how the camera stood to the plane of motion."
    elif value > SILENT_OFF_PLANE_DEG and value - sd > SURE_OFF_PLANE_DEG:
        sentence = (
            f"The plane of motion was about {value:.0f} degrees off the picture (likely {value - sd:.0f} to "
            f"{value + sd:.0f}); turn the patient or move the camera until it looks straight at that plane."
        )
    return PlaneDisagreement(off_plane_deg=value, sd_deg=sd, from_arm_deg=from_arm_deg, sentence=sentence)
