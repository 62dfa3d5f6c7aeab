"""From pixels to centimetres: by a sheet on the wall, or by a length that is known."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from vision_rom.camera.lens import Lens
from vision_rom.camera.placement import Placement
from vision_rom.handover import Floats

PRINT_SD = 0.003
"""Relative error of a sheet whose ruler was checked to half a millimetre in 150 (common practice, no source)."""
DEPTH_SD_M = 0.10
"""How well it is known how far before the wall the patient's joints are (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Length:
    """A distance with its error."""

    cm: float
    """NaN if one of the points is NaN or does not lie before the camera."""
    sd_cm: float


@dataclass(frozen=True, slots=True)
class PlaneScale:
    """Distances in a plane whose place before the camera is known: that of a sheet, or one parallel to it."""

    lens: Lens
    normal: Floats
    """(3,) of the plane, away from the camera."""
    distance_m: float
    """From the camera to the plane along the normal."""
    relative_sd: float

    def points_m(self, points_px: Floats) -> Floats:
        """Return where the plane is at picture points (..., 2): (..., 3) in the camera's axes, NaN where it is not."""
        rays = self.lens.rays(points_px)
        rays = np.concatenate([rays, np.ones((*rays.shape[:-1], 1))], axis=-1)
        towards = rays @ self.normal
        with np.errstate(divide="ignore", invalid="ignore"):
            depth = np.where(towards > 1e-6, self.distance_m / towards, np.nan)
        return np.asarray(rays * depth[..., None])

    def length(self, first_px: Floats, second_px: Floats) -> Length:
        """Return the distance between two picture points (2,) of the plane."""
        cm = 100.0 * float(np.linalg.norm(self.points_m(first_px) - self.points_m(second_px)))
        return Length(cm, cm * self.relative_sd)

    def before(self, towards_camera_m: float, *, sd_m: float = DEPTH_SD_M) -> PlaneScale:
        """Return the parallel plane nearer to the camera, such as that of a patient who stands before the wall.

        Raises ``ValueError`` if that plane would lie behind the camera.
        """
        distance_m = self.distance_m - towards_camera_m
        if distance_m <= 0.0:
            raise ValueError(f"the plane {towards_camera_m} m before the wall is not before the camera")
        return replace(self, distance_m=distance_m, relative_sd=float(np.hypot(PRINT_SD, sd_m / distance_m)))


@dataclass(frozen=True, slots=True)
class EvenScale:
    """One number of metres per pixel, for points about as far from the camera as the length it was taken from."""

    m_per_px: float
    relative_sd: float

    def length(self, first_px: Floats, second_px: Floats) -> Length:
        """Return the distance between two points (2,) of the picture without distortion."""
        cm = 100.0 * self.m_per_px * float(np.linalg.norm(np.subtract(first_px, second_px)))
        return Length(cm, cm * self.relative_sd)


def scale_from_sheet(placement: Placement, lens: Lens) -> PlaneScale:
    """Return the scale in the plane of a sheet that was printed at its own size."""
    normal = placement.rotation[:, 2]
    distance_m = float(normal @ placement.position_m)
    return PlaneScale(lens, np.asarray(normal), distance_m, PRINT_SD)


def scale_from_length(
    first_px: Floats, second_px: Floats, length_m: float, *, sd_m: float, depth_relative_sd: float = 0.05
) -> EvenScale:
    """Return the scale from two points (2,) of the picture without distortion whose distance is known.

    The length must lie across the line of sight, as far away as what is to be measured: ``depth_relative_sd`` is how far
    that may be off, relative to the distance from the camera. For the patient's height the points are the crown of the
    head and the middle of the heels. Raises ``ValueError`` for points that coincide or a length that is not above 0.
    """
    apart_px = float(np.linalg.norm(np.subtract(first_px, second_px)))
    if not (apart_px > 0.0 and length_m > 0.0):
        raise ValueError(f"a length of {length_m} m over {apart_px} px gives no scale")
    return EvenScale(length_m / apart_px, float(np.hypot(sd_m / length_m, depth_relative_sd)))
