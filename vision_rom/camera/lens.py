"""The pinhole camera with lens distortion: points between the picture and straight rays.

The distortion is the Brown-Conrady model in the rational form that OpenCV uses (D. C. Brown, "Close-range camera
calibration", Photogrammetric Engineering 37(8), 1971; OpenCV documentation, "Camera Calibration and 3D
Reconstruction"). The centre of the top left pixel is (0, 0).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision_rom.handover import Floats

COEFFICIENTS = ("k1", "k2", "p1", "p2", "k3", "k4", "k5", "k6")
"""Order of the distortion coefficients."""

_STEPS = 50
_TOLERANCE = 1e-12
_SAMPLED_RADIUS = np.linspace(0.0, 5.0, 2001)


@dataclass(frozen=True, slots=True)
class Lens:
    """Focal length, centre and distortion of one camera at one picture size."""

    focal_x_px: float
    focal_y_px: float
    centre_x_px: float
    centre_y_px: float
    width_px: int
    height_px: int
    distortion: tuple[float, ...] = (0.0,) * 8
    """``COEFFICIENTS`` in that order; missing ones at the end are 0."""

    @property
    def matrix(self) -> Floats:
        """(3, 3) camera matrix in pixels."""
        return np.array(
            [
                [self.focal_x_px, 0.0, self.centre_x_px],
                [0.0, self.focal_y_px, self.centre_y_px],
                [0.0, 0.0, 1.0],
            ]
        )

    @property
    def coefficients(self) -> Floats:
        """(8,) distortion coefficients."""
        return np.array(tuple(self.distortion) + (0.0,) * (8 - len(self.distortion)))

    @property
    def largest_radius(self) -> float:
        """Largest distance from the optical axis, at distance 1, that the model still maps one to one."""
        radial = _SAMPLED_RADIUS * _radial_factor(self.coefficients, _SAMPLED_RADIUS**2)
        rising = np.diff(radial) > 0.0
        return float(_SAMPLED_RADIUS[-1] if rising.all() else _SAMPLED_RADIUS[int(np.argmin(rising))])

    def field_of_view_deg(self) -> tuple[float, float]:
        """Return the horizontal and vertical angle of an undistorted picture of this size."""
        across = np.arctan((self.width_px - 0.5 - self.centre_x_px) / self.focal_x_px) + np.arctan(
            (self.centre_x_px + 0.5) / self.focal_x_px
        )
        along = np.arctan((self.height_px - 0.5 - self.centre_y_px) / self.focal_y_px) + np.arctan(
            (self.centre_y_px + 0.5) / self.focal_y_px
        )
        return float(np.degrees(across)), float(np.degrees(along))

    def contains(self, points_px: Floats) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
        """Tell which of the points (..., 2) lie inside the picture; NaN points do not."""
        x, y = points_px[..., 0], points_px[..., 1]
        return np.asarray((x >= -0.5) & (x <= self.width_px - 0.5) & (y >= -0.5) & (y <= self.height_px - 0.5))

    def rays(self, points_px: Floats) -> Floats:
        """Return the straight ray of each picture point: x and y at distance 1, (..., 2).

        NaN where the point is NaN or where no ray of the model ends at that point.
        """
        distorted = np.stack(
            [
                (points_px[..., 0] - self.centre_x_px) / self.focal_x_px,
                (points_px[..., 1] - self.centre_y_px) / self.focal_y_px,
            ],
            axis=-1,
        )
        if not np.any(self.coefficients):
            return distorted
        return _undistort(distorted, self.coefficients, self.largest_radius)

    def project_rays(self, rays: Floats) -> Floats:
        """Return where rays (..., 2), x and y at distance 1, meet the picture, in pixels."""
        distorted = _distort(rays, self.coefficients)
        return self._to_pixels(distorted)

    def project(self, points_m: Floats) -> Floats:
        """Return the picture points (..., 2) of points (..., 3) in the camera's axes; NaN behind the camera.

        x points to the right, y down, z away from the camera.
        """
        depth = np.where(points_m[..., 2:] > 0.0, points_m[..., 2:], np.nan)
        rays = points_m[..., :2] / depth
        beyond = np.hypot(rays[..., 0], rays[..., 1]) > self.largest_radius
        return np.where(beyond[..., None], np.nan, self.project_rays(rays))

    def straighten(self, points_px: Floats) -> Floats:
        """Return the picture points (..., 2) as a lens without distortion would show them."""
        return self._to_pixels(self.rays(points_px))

    def _to_pixels(self, rays: Floats) -> Floats:
        return np.stack(
            [
                self.focal_x_px * rays[..., 0] + self.centre_x_px,
                self.focal_y_px * rays[..., 1] + self.centre_y_px,
            ],
            axis=-1,
        )


def _radial_factor(coefficients: Floats, squared: Floats) -> Floats:
    k1, k2, _, _, k3, k4, k5, k6 = coefficients
    above = 1.0 + squared * (k1 + squared * (k2 + squared * k3))
    below = 1.0 + squared * (k4 + squared * (k5 + squared * k6))
    return np.asarray(above / below)


def _distort(rays: Floats, coefficients: Floats) -> Floats:
    x, y = rays[..., 0], rays[..., 1]
    p1, p2 = coefficients[2], coefficients[3]
    squared = x * x + y * y
    radial = _radial_factor(coefficients, squared)
    return np.stack(
        [
            x * radial + 2.0 * p1 * x * y + p2 * (squared + 2.0 * x * x),
            y * radial + p1 * (squared + 2.0 * y * y) + 2.0 * p2 * x * y,
        ],
        axis=-1,
    )


def _distortion_slopes(rays: Floats, coefficients: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the derivatives of ``_distort``: x by x, x by y (which equals y by x), and y by y."""
    x, y = rays[..., 0], rays[..., 1]
    k1, k2, p1, p2, k3, k4, k5, k6 = coefficients
    squared = x * x + y * y
    below = 1.0 + squared * (k4 + squared * (k5 + squared * k6))
    radial = _radial_factor(coefficients, squared)
    above_slope = k1 + squared * (2.0 * k2 + squared * 3.0 * k3)
    below_slope = k4 + squared * (2.0 * k5 + squared * 3.0 * k6)
    radial_slope = (above_slope - radial * below_slope) / below
    mixed = 2.0 * (x * y * radial_slope + p1 * x + p2 * y)
    return (
        radial + 2.0 * x * x * radial_slope + 2.0 * p1 * y + 6.0 * p2 * x,
        mixed,
        radial + 2.0 * y * y * radial_slope + 6.0 * p1 * y + 2.0 * p2 * x,
    )


def _undistort(distorted: Floats, coefficients: Floats, largest_radius: float) -> Floats:
    """Invert ``_distort``: a start inside the one-to-one region from the radial part, then Newton steps."""
    radial = _SAMPLED_RADIUS[largest_radius >= _SAMPLED_RADIUS]
    curve = radial * _radial_factor(coefficients, radial**2)
    length = np.hypot(distorted[..., 0], distorted[..., 1])
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.where(length > 0.0, np.interp(length, curve, radial) / length, 1.0)
    rays = distorted * ratio[..., None]
    for _ in range(_STEPS):
        wrong = _distort(rays, coefficients) - distorted
        if not np.any(np.abs(wrong) > _TOLERANCE):
            break
        xx, xy, yy = _distortion_slopes(rays, coefficients)
        determinant = xx * yy - xy * xy
        with np.errstate(invalid="ignore", divide="ignore"):
            change_x = (yy * wrong[..., 0] - xy * wrong[..., 1]) / determinant
            change_y = (xx * wrong[..., 1] - xy * wrong[..., 0]) / determinant
        rays = rays - np.stack([change_x, change_y], axis=-1)
    with np.errstate(invalid="ignore", over="ignore"):
        # a picture point that no ray reaches leaves Newton's method anywhere: it has no answer
        found = (np.abs(_distort(rays, coefficients) - distorted).max(axis=-1) < 1e-7) & (
            np.hypot(rays[..., 0], rays[..., 1]) <= largest_radius * 1.001
        )
    return np.where(found[..., None], rays, np.nan)
