"""Pictures of a printed sheet through a known lens: recordings whose truth is exact.

Every picture point is traced back through the lens (:mod:`vision_rom.camera.lens`) to the plane of the sheet, so the
truth does not pass through the calibration that it checks. Rolling shutter, motion blur, defocus and noise are added
because a phone has them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from vision_rom.camera.sheets import Drawing
from vision_rom.handover import Floats


class RayLens(Protocol):
    """Any lens that can say which straight ray ends at a picture point."""

    def __hash__(self) -> int: ...

    @property
    def width_px(self) -> int:
        """Width of the picture."""

    @property
    def height_px(self) -> int:
        """Height of the picture."""

    @property
    def focal_x_px(self) -> float:
        """Pixels per radian in the middle of the picture."""

    def rays(self, points_px: Floats) -> Floats:
        """Return x and y at distance 1 of points (..., 2)."""


@dataclass(frozen=True, slots=True)
class SheetPose:
    """Where a sheet is in the camera's axes (x right, y down, z away)."""

    rotation: Floats
    """(3, 3) from the sheet's axes to the camera's."""
    position_m: Floats
    """(3,) middle of the sheet."""

    def points_m(self, sheet_m: Floats) -> Floats:
        """Return points of the sheet (..., 3) in the camera's axes."""
        return np.asarray(sheet_m @ self.rotation.T + self.position_m)


@dataclass(frozen=True, slots=True)
class Camera:
    """What the rendered phone does to a picture."""

    lens: RayLens
    readout_s: float = 0.0
    """From the first row to the last; 0 is a global shutter."""
    exposure_s: float = 0.0
    blur_px: float = 0.6
    """Standard deviation of the lens's own blur."""
    noise: float = 2.0
    """Standard deviation of the noise in grey levels."""


@dataclass(frozen=True)
class Texture:
    """A drawing as a picture with a white margin, and the smaller copies that keep distant views free of moire."""

    grey: NDArray[np.uint8]
    pixels_per_m: float
    size_m: tuple[float, float]

    @cached_property
    def levels(self) -> list[NDArray[np.uint8]]:
        """Copies, each half the size of the one before."""
        levels = [self.grey]
        while min(levels[-1].shape) > 64:
            height, width = levels[-1].shape
            levels.append(
                np.asarray(cv2.resize(levels[-1], (width // 2, height // 2), interpolation=cv2.INTER_AREA), np.uint8)
            )
        return levels


def texture_of(
    drawing: Drawing, size_mm: tuple[float, float], *, margin_mm: float = 12.0, pixels_per_mm: int = 8
) -> Texture:
    """Draw a pattern, whose middle is the origin, at a fixed number of pixels per millimetre."""
    width, height = (round(side + 2 * margin_mm) for side in size_mm)
    fine = pixels_per_mm * 2
    picture = np.full((height * fine, width * fine), 255, np.uint8)
    for shape in drawing.shapes:
        corners = np.add(shape.corners_mm, (width / 2, height / 2)) * fine
        _fill(picture, corners, round(255 * shape.grey))
    small = cv2.resize(picture, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    return Texture(np.asarray(small, np.uint8), pixels_per_mm * 1000.0, (width / 1000.0, height / 1000.0))


def _fill(picture: NDArray[np.uint8], corners: Floats, grey: int) -> None:
    """Paint the pixels whose centre lies inside a convex outline; the first pixel spans 0 to 1.

    OpenCV's own filling also paints pixels that the outline only touches, which makes every shape a little too large.
    """
    left, top = np.floor(corners.min(axis=0)).astype(int)
    right, bottom = np.ceil(corners.max(axis=0)).astype(int)
    x, y = np.meshgrid(np.arange(left, right) + 0.5, np.arange(top, bottom) + 0.5)
    following = np.roll(corners, -1, axis=0)
    area = np.sum(corners[:, 0] * following[:, 1] - following[:, 0] * corners[:, 1])
    inside = np.ones(x.shape, np.bool_)
    for (ax, ay), (bx, by) in zip(corners, following, strict=True):
        inside &= ((bx - ax) * (y - ay) - (by - ay) * (x - ax)) * np.sign(area) >= 0.0
    picture[top:bottom, left:right][inside] = grey


def look_at_sheet(
    *, distance_m: float, turn_deg: float, pitch_deg: float, roll_deg: float, aim_m: tuple[float, float] = (0.0, 0.0)
) -> SheetPose:
    """Return the pose of an upright sheet before a camera that stands off its plane.

    ``turn_deg`` turns the camera to its right about the vertical, ``pitch_deg`` tips it upwards, ``roll_deg`` turns it
    clockwise as seen from behind. The camera's axis meets the sheet at ``aim_m`` (x right, y down on the sheet).
    """
    # the camera's axes in the sheet's (both x right, y down, z away): turn about the plumb line first, roll last
    camera = Rotation.from_euler("YXZ", [turn_deg, pitch_deg, roll_deg], degrees=True).as_matrix()
    rotation = camera.T
    return SheetPose(rotation, np.array([0.0, 0.0, distance_m]) - rotation @ np.array([*aim_m, 0.0]))


def render(
    texture: Texture,
    pose_at: Callable[[float], SheetPose],
    time_s: float,
    camera: Camera,
    *,
    generator: np.random.Generator,
    wall_grey: float = 150.0,
) -> NDArray[np.uint8]:
    """Return one picture, (height, width, 3) RGB, whose first row opens at ``time_s``.

    Exposure is integrated over three moments. Outside the sheet lies an even wall with a slow change of light.
    """
    lens = camera.lens
    rays = _sample_rays(lens)
    moments = np.linspace(0.0, camera.exposure_s, 3) if camera.exposure_s > 0.0 else np.zeros(1)
    total = np.zeros(rays.shape[:2], np.float32)
    for moment in moments:
        total += _one_moment(texture, pose_at, time_s + float(moment), camera, rays, wall_grey)
    grey = cv2.resize(total / len(moments), (lens.width_px, lens.height_px), interpolation=cv2.INTER_AREA)
    across, down = np.linspace(-1, 1, lens.width_px), np.linspace(-1, 1, lens.height_px)
    grey = grey * (1.0 - 0.12 * np.hypot(across[None, :], down[:, None])).astype(np.float32)
    if camera.blur_px > 0.0:
        grey = cv2.GaussianBlur(grey, (0, 0), camera.blur_px)
    grey = 12.0 + grey * 0.88 + camera.noise * generator.standard_normal(grey.shape, np.float32)
    return np.repeat(np.clip(np.rint(grey), 0, 255).astype(np.uint8)[..., None], 3, axis=2)


@lru_cache(maxsize=2)
def _sample_rays(lens: RayLens) -> NDArray[np.float32]:
    """Rays of two samples per pixel along each axis; the same for every picture of a recording."""
    x = (np.arange(lens.width_px * 2) + 0.5) / 2 - 0.5
    y = (np.arange(lens.height_px * 2) + 0.5) / 2 - 0.5
    return lens.rays(np.stack(np.meshgrid(x, y), axis=-1)).astype(np.float32)


def _one_moment(
    texture: Texture,
    pose_at: Callable[[float], SheetPose],
    time_s: float,
    camera: Camera,
    rays: NDArray[np.float32],
    wall_grey: float,
) -> NDArray[np.float32]:
    # single precision is good to 0.0002 px here, and twice as fast
    rows = rays.shape[0]
    knots = np.linspace(0, rows - 1, 9 if camera.readout_s > 0.0 else 2)
    # the copy of the texture whose pixels are just finer than the samples
    sample_m = float(pose_at(time_s).position_m[2]) / (camera.lens.focal_x_px * 2)
    level = int(np.clip(np.floor(np.log2(max(sample_m * texture.pixels_per_m, 1.0))), 0, len(texture.levels) - 1))
    source = texture.levels[level]
    height, width = source.shape
    to_pixels = np.array(
        [
            [width / texture.size_m[0], 0.0, width / 2 - 0.5],
            [0.0, height / texture.size_m[1], height / 2 - 0.5],
            [0.0, 0.0, 1.0],
        ]
    )
    at_knots = np.stack(
        [to_pixels @ _plane_from_rays(pose_at(time_s + camera.readout_s * k / (rows - 1))) for k in knots]
    )
    m = [
        [np.interp(np.arange(rows), knots, at_knots[:, i, j]).astype(np.float32)[:, None] for j in range(3)]
        for i in range(3)
    ]
    top, bottom, left, right = _window(rays, at_knots, (width, height))
    m = [[entry[top:bottom] for entry in line] for line in m]
    x, y = rays[top:bottom, left:right, 0], rays[top:bottom, left:right, 1]
    down = m[2][0] * x + m[2][1] * y + m[2][2]
    # rays that miss the plane in front of the camera end outside the texture
    down = np.where(down > 0.0, down, np.float32(np.nan))
    column = (m[0][0] * x + m[0][1] * y + m[0][2]) / down
    row = (m[1][0] * x + m[1][1] * y + m[1][2]) / down
    samples = np.full(rays.shape[:2], wall_grey, np.float32)
    samples[top:bottom, left:right] = np.asarray(
        cv2.remap(
            source,
            np.clip(np.nan_to_num(column, nan=-10.0), -10.0, 30000.0),
            np.clip(np.nan_to_num(row, nan=-10.0), -10.0, 30000.0),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=wall_grey,
        ),
        np.float32,
    )
    return samples


def _window(rays: NDArray[np.float32], at_knots: Floats, texture_px: tuple[int, int]) -> tuple[int, int, int, int]:
    """Return top, bottom, left and right of the samples that may see the sheet; the rest is wall.

    Looked for on every 16th sample with room around, at all moments of the rolling shutter.
    """
    step = 16
    coarse = rays[::step, ::step]
    homogeneous = np.concatenate([coarse, np.ones((*coarse.shape[:2], 1), np.float32)], axis=-1)
    seen = np.zeros(coarse.shape[:2], np.bool_)
    for knot in (at_knots[0], at_knots[-1]):
        mapped = homogeneous @ knot.T
        with np.errstate(invalid="ignore", divide="ignore"):
            places = mapped[..., :2] / mapped[..., 2:]
            seen |= (mapped[..., 2] > 0) & (places > 0).all(axis=-1) & (places < texture_px).all(axis=-1)
    if not seen.any():
        return 0, rays.shape[0], 0, rays.shape[1]  # too small for the coarse look
    rows, columns = np.flatnonzero(seen.any(axis=1)), np.flatnonzero(seen.any(axis=0))
    room = 3
    return (
        max(0, (int(rows[0]) - room) * step),
        min(rays.shape[0], (int(rows[-1]) + room) * step),
        max(0, (int(columns[0]) - room) * step),
        min(rays.shape[1], (int(columns[-1]) + room) * step),
    )


def _plane_from_rays(pose: SheetPose) -> Floats:
    """Return the (3, 3) map from a ray (x, y, 1) to homogeneous points of the sheet's plane, metres."""
    plane_to_ray = np.column_stack([pose.rotation[:, 0], pose.rotation[:, 1], pose.position_m])
    inverse = np.linalg.inv(plane_to_ray)
    # only its ratios count, but rows of a rolling shutter are interpolated and need a common size
    return np.asarray(inverse / np.linalg.norm(inverse) * np.sign(np.linalg.det(inverse)))
