"""What measuring asks of the camera: landmarks without distortion, upright, and with a stated focal length."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from vision_rom.camera.fov import FocalRange, assumed_focal, profile_focal, stated_focal
from vision_rom.camera.lens import Lens
from vision_rom.camera.placement import Level, camera_axes
from vision_rom.camera.profile import CameraProfile, lens_for_picture
from vision_rom.handover import Floats


@dataclass(frozen=True, slots=True)
class PictureGeometry:
    """The camera of one recording, as far as it is known."""

    lens: Lens
    """With the profile's distortion, or none."""
    focal: FocalRange
    level: Level | None
    remarks: tuple[str, ...]
    """Every assumption and every rule that was applied, in sentences for the user."""

    def lenses(self) -> tuple[Lens, Lens, Lens]:
        """Return the lens at the low end, the middle and the high end of the focal length's range.

        Measuring with all three shows what the unknown focal length does to the result.
        """
        low, high = (self.focal.low_px / self.focal.focal_px, self.focal.high_px / self.focal.focal_px)
        return _with_focal(self.lens, low), self.lens, _with_focal(self.lens, high)


def picture_geometry(
    *,
    width_px: int,
    height_px: int,
    rotation_deg: int | None = None,
    profile: CameraProfile | None = None,
    zoom: float | None = None,
    equivalent_mm: float | None = None,
    level: Level | None = None,
) -> PictureGeometry:
    """Return what is known of a recording's camera: from its profile, a stated focal length, or the usual range.

    The size is that of the upright picture; ``rotation_deg`` is the clockwise turn that made it upright. Raises
    :class:`UsageError` if the profile does not lead to this picture (see :func:`lens_for_picture`).
    """
    if profile is not None:
        lens, remarks = lens_for_picture(
            profile, width_px=width_px, height_px=height_px, rotation_deg=rotation_deg, zoom=zoom
        )
        focal = profile_focal(profile, lens)
        return PictureGeometry(lens, focal, level, (focal.remark, *remarks))
    focal = (
        assumed_focal(width_px, height_px)
        if equivalent_mm is None
        else stated_focal(equivalent_mm, width_px, height_px)
    )
    return PictureGeometry(focal.lens(width_px, height_px), focal, level, (focal.remark,))


def undistort_landmarks(landmarks_px: Floats, lens: Lens) -> Floats:
    """Return landmarks (..., 2 or 3), such as (n, 33, 2), where a lens without distortion would show them.

    A third column is passed on as it is. NaN stays NaN; points that the lens cannot have imaged become NaN.
    """
    return _with_rest(lens.straighten(landmarks_px[..., :2]), landmarks_px)


def level_landmarks(landmarks_px: Floats, lens: Lens, level: Level) -> Floats:
    """Return landmarks (..., 2 or 3) as a level camera at the same place, looking the same way, would show them.

    Distortion is removed too. The picture's vertical then is the world's, and upright lines are parallel.
    """
    axes = camera_axes(0.0, level.pitch_deg, level.roll_deg)
    rays = lens.rays(landmarks_px[..., :2])
    # the camera is turned about its own centre
    turned = np.concatenate([rays, np.ones((*rays.shape[:-1], 1))], axis=-1) @ axes.T
    with np.errstate(divide="ignore", invalid="ignore"):
        # a direction at right angles to the new camera, or behind it, is nowhere in its picture
        flat = np.where(turned[..., 2:] > 1e-6, turned[..., :2] / turned[..., 2:], np.nan)
    seen = flat * [lens.focal_x_px, lens.focal_y_px] + [lens.centre_x_px, lens.centre_y_px]
    return _with_rest(seen, landmarks_px)


def _with_rest(points_px: Floats, landmarks_px: Floats) -> Floats:
    return np.concatenate([points_px, landmarks_px[..., 2:]], axis=-1)


def _with_focal(lens: Lens, ratio: float) -> Lens:
    return replace(lens, focal_x_px=lens.focal_x_px * ratio, focal_y_px=lens.focal_y_px * ratio)
