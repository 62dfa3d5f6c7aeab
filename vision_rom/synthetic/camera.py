"""A pinhole camera that stands around the person, with the lens distortion of a phone's wide lens.

World: metres, x to the person's left at rest, y backwards (the person faces -y), z up, floor at z = 0, the person's
axis at x = y = 0. Camera: x to the right of the picture, y down, z forward. Picture: pixels, x right, y down, pixel i
covers [i, i + 1), so that (0, 0) is the outer corner of the first pixel and the picture's middle is (width / 2,
height / 2): the convention of landmarks that are fractions of the picture times its size. (Libraries that put (0, 0)
at the first pixel's middle give values smaller by half a pixel.)

Distortion is the radial part of the Brown-Conrady model: D. C. Brown, "Close-range camera calibration", Photogrammetric
Engineering 37(8), 1971: a ray at radius r in the plane z = 1 is drawn at r (1 + k1 r^2 + k2 r^4).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vision_rom.errors import UsageError

Floats = NDArray[np.float64]

CameraView = Literal["front", "left_side", "right_side", "back"]
VIEW_YAW_DEG: dict[CameraView, float] = {"front": 0.0, "left_side": 90.0, "right_side": -90.0, "back": 180.0}
"""Where the camera stands: in front of the person, at the person's left, right, or behind."""

NEAREST_M = 0.05
"""Points nearer than this to the camera's plane are not in the picture."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """Where the phone stands, how it is held, and its lens."""

    view: CameraView = "front"
    off_plane_deg: float = 0.0
    """Turn about the person's vertical axis from ``view``; positive is anticlockwise seen from above, that is from the
    front towards the person's left."""
    distance_m: float = 3.0
    """Level distance from the person's axis."""
    height_m: float = 1.1
    """Of the lens above the floor."""
    tilt_deg: float = 0.0
    """Positive looks up."""
    pan_deg: float = 0.0
    """Positive looks to the right of the person."""
    roll_deg: float = 0.0
    """Positive turns the phone clockwise as its user sees it; the picture's content turns anticlockwise."""
    vertical_fov_deg: float = 60.0
    """Between the middles of the upper and lower edges, before distortion."""
    width_px: int = 480
    height_px: int = 640
    k1: float = 0.0
    k2: float = 0.0

    def __post_init__(self) -> None:
        if self.view not in VIEW_YAW_DEG:
            raise UsageError(f"A camera's view is one of {', '.join(VIEW_YAW_DEG)}, not '{self.view}'.")
        for name, low, high in (
            ("off_plane_deg", -180.0, 180.0),
            ("distance_m", 0.5, 20.0),
            ("height_m", 0.0, 5.0),
            ("tilt_deg", -60.0, 60.0),
            ("pan_deg", -60.0, 60.0),
            ("roll_deg", -180.0, 180.0),
            ("vertical_fov_deg", 10.0, 120.0),
            ("width_px", 16, 7680),
            ("height_px", 16, 7680),
        ):
            value = getattr(self, name)
            if not low <= value <= high:
                raise UsageError(f"A camera's {name} lies between {low:g} and {high:g}, not at {value}.")
        if self.width_px % 2 or self.height_px % 2:
            size = f"{self.width_px} x {self.height_px}"
            raise UsageError(f"A picture's width and height are even numbers of pixels for H.264, not {size}.")
        radii = np.linspace(0.0, 1.3 * self._corner_radius(), 200)
        if np.any(1.0 + 3.0 * self.k1 * radii**2 + 5.0 * self.k2 * radii**4 <= 0.05):
            raise UsageError(f"The distortion k1={self.k1}, k2={self.k2} folds the picture's corners over; use less.")

    def _corner_radius(self) -> float:
        return math.hypot(self.width_px, self.height_px) / 2.0 / self.focal_px

    @property
    def yaw_deg(self) -> float:
        """Where the camera stands about the person, 0 = in front, 90 = at the person's left; in (-180, 180]."""
        yaw = VIEW_YAW_DEG[self.view] + self.off_plane_deg
        return 180.0 - (180.0 - yaw) % 360.0

    @property
    def focal_px(self) -> float:
        """Focal length, the same in both directions (square pixels)."""
        return self.height_px / 2.0 / math.tan(math.radians(self.vertical_fov_deg) / 2.0)

    @property
    def distorted(self) -> bool:
        """Whether straight lines come out bent."""
        return self.k1 != 0.0 or self.k2 != 0.0

    @property
    def position_m(self) -> Floats:
        """(3,) the lens in the world."""
        yaw = math.radians(self.yaw_deg)
        return np.array([self.distance_m * math.sin(yaw), -self.distance_m * math.cos(yaw), self.height_m])

    @property
    def rotation(self) -> Floats:
        """(3, 3) whose rows are the camera's right, down and forward in the world: ``camera = rotation @ (p - position)``."""
        yaw, pan, tilt, roll = (math.radians(a) for a in (self.yaw_deg, self.pan_deg, self.tilt_deg, self.roll_deg))
        heading = yaw - pan
        level = np.array([-math.sin(heading), math.cos(heading), 0.0])
        right = np.array([math.cos(heading), math.sin(heading), 0.0])
        up = np.array([0.0, 0.0, 1.0])
        forward = math.cos(tilt) * level + math.sin(tilt) * up
        down = math.sin(tilt) * level - math.cos(tilt) * up
        return np.array(
            [
                math.cos(roll) * right + math.sin(roll) * down,
                -math.sin(roll) * right + math.cos(roll) * down,
                forward,
            ]
        )

    @property
    def intrinsics(self) -> Floats:
        """(3, 3) of the pinhole, in the pixel convention of this module."""
        f = self.focal_px
        return np.array([[f, 0.0, self.width_px / 2.0], [0.0, f, self.height_px / 2.0], [0.0, 0.0, 1.0]])

    def to_camera(self, points_m: ArrayLike) -> Floats:
        """Turn world points (..., 3) into camera coordinates (..., 3), metres."""
        return np.asarray((np.asarray(points_m, np.float64) - self.position_m) @ self.rotation.T)

    def project(self, points_m: ArrayLike) -> tuple[Floats, Floats]:
        """Project world points (n, 3) in metres to pixels (n, 2) and depth along the optical axis (n,) in metres.

        A point behind the lens has NaN pixels and its (negative) depth. Pixels may lie outside the picture.
        """
        inside = self.to_camera(points_m)
        depth = inside[..., 2]
        with np.errstate(divide="ignore", invalid="ignore"):
            plane = np.where(depth[..., None] > NEAREST_M, inside[..., :2] / depth[..., None], np.nan)
        return self.distort(plane) * self.focal_px + self._middle_px, depth

    @property
    def _middle_px(self) -> Floats:
        return np.array([self.width_px / 2.0, self.height_px / 2.0])

    def distort(self, plane: ArrayLike) -> Floats:
        """Move points (..., 2) of the plane z = 1 to where the lens draws them, in the same plane."""
        xy = np.asarray(plane, np.float64)
        r2 = np.sum(xy * xy, axis=-1, keepdims=True)
        return np.asarray(xy * (1.0 + self.k1 * r2 + self.k2 * r2 * r2))

    def undistort(self, plane: ArrayLike) -> Floats:
        """Undo :meth:`distort` by Newton's method on the radius; inputs inside the picture converge to 1e-9."""
        xy = np.asarray(plane, np.float64)
        if not self.distorted:
            return xy.copy()
        drawn = np.linalg.norm(xy, axis=-1, keepdims=True)
        r = drawn.copy()
        for _ in range(12):
            r2 = r * r
            slope = 1.0 + 3.0 * self.k1 * r2 + 5.0 * self.k2 * r2 * r2
            r = r - (r * (1.0 + self.k1 * r2 + self.k2 * r2 * r2) - drawn) / np.maximum(slope, 0.05)
        return np.asarray(xy * np.where(drawn > 1e-12, r / np.maximum(drawn, 1e-12), 1.0))
