"""Elevation of the upper arm against the trunk, in the plane of motion seen by the camera."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from vision_rom.angles.off_plane import outward_sign, true_deg
from vision_rom.angles.vectors import midpoint, signed_angle_deg, wrapped_deg
from vision_rom.handover import Floats, Landmark, Side

TrunkLine = Literal["midline", "same_side"]

LOWEST_ELEVATION_DEG = -90.0
"""Elevations are given in [-90, 270): no shoulder reaches the cut, so a raise past 180 runs on to 190 without a fold,
and one bad frame cannot shift the rest of the clip as it could where turns are counted up over time."""


@dataclass(frozen=True, slots=True)
class Elevation:
    """The same arm against the trunk's axis and against the picture's vertical."""

    angle_deg: Floats
    """(n,) in [-90, 270) towards the plane's positive direction; NaN where a point was not seen."""
    vertical_deg: Floats
    """(n,) against the picture's vertical, which is gravity only where the camera was level."""
    apparent_deg: Floats
    """(n,) ``angle_deg`` before the correction for the plane's turn."""
    lean_deg: Floats
    """(n,) trunk's axis against the picture's vertical, positive towards the plane's positive direction."""


def trunk_down_px(landmarks_px: ArrayLike, *, line: TrunkLine = "midline", side: Side | None = None) -> Floats:
    """(n, 2) vector down the trunk, in pixels.

    From mid-shoulders to mid-hips, or along one ``side`` from its shoulder to its hip, as a goniometer's fixed arm lies
    in flexion. ValueError where ``same_side`` is asked for without a side.
    """
    px = np.asarray(landmarks_px, np.float64)[..., :2]
    if line == "midline":
        return midpoint(px, Landmark.LEFT_HIP, Landmark.RIGHT_HIP) - midpoint(
            px, Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER
        )
    if side is None:
        raise ValueError('`side` must be "left" or "right" for the trunk line "same_side"')
    return px[..., Landmark.of(side, "hip"), :] - px[..., Landmark.of(side, "shoulder"), :]


def elevation_curve(
    landmarks_px: ArrayLike,
    *,
    side: Side,
    azimuth_deg: float = 0.0,
    facing_deg: float = 0.0,
    line: TrunkLine = "midline",
    correct_off_plane_deg: float = 0.0,
) -> Elevation:
    """Elevation of one upper arm in the picture, signed and without a fold at 180.

    Parameters
    ----------
    landmarks_px : (n, 33, 2 or 3) picture positions.
    azimuth_deg : plane of motion: 0 frontal (outward positive), 90 sagittal (forward positive), between: scaption.
    facing_deg : turn of the trunk as in :class:`vision_rom.angles.ViewEstimate`; tells which side of the picture the
        plane's positive direction is on.
    correct_off_plane_deg : turn of the plane out of the picture to undo, 0 for none.

    """
    px = np.asarray(landmarks_px, np.float64)[..., :2]
    arm = px[..., Landmark.of(side, "elbow"), :] - px[..., Landmark.of(side, "shoulder"), :]
    return elevation_of_vectors(
        arm,
        trunk_down_px(px, line=line, side=side),
        outward=outward_sign(azimuth_deg, facing_deg, side),
        correct_off_plane_deg=correct_off_plane_deg,
    )


def elevation_of_vectors(
    arm: ArrayLike, trunk_down: ArrayLike, *, outward: int = 1, correct_off_plane_deg: float = 0.0
) -> Elevation:
    """Elevation from picture vectors (n, 2): shoulder to elbow, and down the trunk.

    ``outward`` is +1 where the positive direction points to the right of the picture, -1 where to the left.
    """
    down = np.asarray(trunk_down, np.float64)
    vertical = np.broadcast_to(np.array([0.0, 1.0]), down.shape)
    # clockwise on the screen takes "down" to the left, so outward to the right counts the other way
    seen, upright = -outward * signed_angle_deg(down, arm), -outward * signed_angle_deg(vertical, arm)
    lean = outward * signed_angle_deg(-vertical, -down)
    return Elevation(
        angle_deg=wrapped_deg(true_deg(seen, correct_off_plane_deg), lowest_deg=LOWEST_ELEVATION_DEG),
        vertical_deg=wrapped_deg(true_deg(upright, correct_off_plane_deg), lowest_deg=LOWEST_ELEVATION_DEG),
        apparent_deg=wrapped_deg(seen, lowest_deg=LOWEST_ELEVATION_DEG),
        lean_deg=lean,
    )
