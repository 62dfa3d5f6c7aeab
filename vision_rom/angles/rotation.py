"""Axial rotation of the upper arm at the side, elbow bent to 90 degrees, seen from the front.

The forearm then lies across the trunk's axis, and its direction about that axis is the rotation. The picture shows the
forearm's part to the side; its part towards the camera follows from the length that is missing:

    depth^2 = length^2 - across^2 - along^2

with the forearm's true length learned over the clip. Straight ahead is 0 and outward positive; angles run through
atan2(across, depth), with the trunk's own turn to the camera taken off.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import norm

from vision_rom.angles.elevation import trunk_down_px
from vision_rom.angles.vectors import Floats, along_and_across, angle_between_deg, running_median
from vision_rom.handover import Landmark, Side

FOREARM_PER_TRUNK = 0.507
"""0.146 / 0.288 of body height, Drillis and Contini 1966 in Winter, Biomechanics and Motor Control of Human Movement."""

FOREARM_PER_UPPER_ARM = 0.785
"""0.146 / 0.186 of body height, same source."""

FOREARM_BOUNDS_PER_TRUNK = (0.38, 0.66)
"""Lengths outside are refused as landmark errors: the table's ratio give or take 30%, our own margin."""

FOREARM_RATIO_SD = 0.10
"""Standard deviation of people's forearm length against the table's, as a share, landmarks included; assumed."""

ELBOW_FROM_DEG, ELBOW_TO_DEG = 60.0, 120.0
"""Elbow flexion between which rotation is measured: 70 to 110 as the position asks, and 10 for the landmarks."""

ARM_AT_SIDE_BELOW_DEG = 40.0
"""Upper arm further than this from the trunk: it is no longer rotation at the side."""

DEPTH_SIGN_FROM_SHARE = 0.80
"""The forearm is taken to point ahead until its part to the side exceeds this share of its length; only there (beyond
53 degrees) can it have passed the side, and only there is the network's depth asked for the sign."""


@dataclass(frozen=True, slots=True)
class ForearmLength:
    """The forearm's length as a share of the trunk's seen length."""

    per_trunk: float
    sd_per_trunk: float
    seen_per_trunk: float
    """The longest that was seen (97% quantile), NaN where none was."""


@dataclass(frozen=True, slots=True)
class AxialRotation:
    """Rotation about the upper arm and what it rests on."""

    angle_deg: Floats
    """(n,) outward positive, in [-180, 180); NaN where a point was not seen or the position was not kept."""
    elbow_flexion_deg: Floats
    """(n,) 0 straight, 90 bent at a right angle."""
    arm_to_trunk_deg: Floats
    """(n,) upper arm against the trunk in the picture, 0 hanging."""
    elbow_kept: NDArray[np.bool_]
    """(n,) elbow between :data:`ELBOW_FROM_DEG` and :data:`ELBOW_TO_DEG`."""
    arm_kept: NDArray[np.bool_]
    """(n,) upper arm at the side."""
    forearm: ForearmLength


def learn_forearm_length(forearm_px: ArrayLike, upper_arm_px: ArrayLike, trunk_px: ArrayLike) -> ForearmLength:
    """Learn the forearm's true length over a clip, as a share of the trunk's length.

    Parameters
    ----------
    forearm_px, upper_arm_px, trunk_px : (n,) seen lengths in pixels; NaN where not seen.

    A seen length is never longer than the true one, so what was seen bounds it from below; the body's proportions say
    where it is likely to be. The estimate is the mean of a normal distribution about the proportions' value, cut off
    below at the longest seen (97% quantile, so that single bad frames do not count). Once the forearm was seen at
    full length the estimate stays near it; where it never was, it stays near the proportions.

    """
    trunk = np.asarray(trunk_px, np.float64)
    trunk = np.where(trunk > 0, trunk, np.nan)
    seen = np.asarray(forearm_px, np.float64) / trunk
    upper = np.asarray(upper_arm_px, np.float64) / trunk
    low, high = FOREARM_BOUNDS_PER_TRUNK
    believable = seen[np.isfinite(seen) & (seen <= high)]
    longest = float(np.quantile(believable, 0.97)) if believable.size else float("nan")
    hangs = upper[np.isfinite(upper)]
    likely = [FOREARM_PER_TRUNK]
    if hangs.size:
        likely.append(FOREARM_PER_UPPER_ARM * float(np.quantile(hangs, 0.75)))
    centre = float(np.clip(np.mean(likely), low, high))
    sd = FOREARM_RATIO_SD * centre
    if not np.isfinite(longest):
        return ForearmLength(per_trunk=centre, sd_per_trunk=sd, seen_per_trunk=longest)
    cut = (longest - centre) / sd
    tail = float(norm.sf(cut))
    if tail < 1e-6:
        return ForearmLength(per_trunk=longest, sd_per_trunk=0.2 * sd, seen_per_trunk=longest)
    rise = float(norm.pdf(cut)) / tail
    shrink = max(1.0 + cut * rise - rise**2, 0.04)
    return ForearmLength(
        per_trunk=float(np.clip(centre + sd * rise, low, high)),
        sd_per_trunk=float(sd * np.sqrt(shrink)),
        seen_per_trunk=longest,
    )


def rotation_curve(
    landmarks_px: ArrayLike,
    *,
    side: Side,
    facing_deg: float = 0.0,
    world_m: ArrayLike | None = None,
    forearm: ForearmLength | None = None,
    depth_window: int = 9,
) -> AxialRotation:
    """Outward rotation of one arm at the side, seen from the front.

    Parameters
    ----------
    landmarks_px : (n, 33, 2 or 3) picture positions.
    facing_deg : turn of the trunk as in :class:`vision_rom.angles.ViewEstimate`, near 0.
    world_m : (n, 33, 3) metres, z away from the camera; decides, by a running median over ``depth_window`` frames,
        whether a forearm that points sideways lies before or behind the elbow. None: always before.
    forearm : length to use instead of the one learned from these frames.

    """
    px = np.asarray(landmarks_px, np.float64)[..., :2]
    shoulder, elbow, wrist = (px[..., Landmark.of(side, part), :] for part in ("shoulder", "elbow", "wrist"))
    down = trunk_down_px(px)
    trunk_px = np.hypot(down[..., 0], down[..., 1])
    upper, lower = elbow - shoulder, wrist - elbow
    upper_px, lower_px = np.hypot(upper[..., 0], upper[..., 1]), np.hypot(lower[..., 0], lower[..., 1])
    if forearm is None:
        forearm = learn_forearm_length(lower_px, upper_px, trunk_px)
    length = forearm.per_trunk * trunk_px
    outward = 1.0 if side == "left" else -1.0
    along, across = along_and_across(lower, down)
    across = -outward * across  # clockwise of "down" is the left of the picture
    missing = length**2 - along**2 - across**2
    depth = np.sqrt(np.maximum(missing, 0.0)) * _sign_of_depth(across / length, side, world_m, depth_window)
    azimuth = np.degrees(np.arctan2(across, depth))
    # the camera sees the rotation plus the trunk's turn to the arm's own side
    angle = azimuth - (facing_deg if side == "left" else -facing_deg)
    along_upper, _ = along_and_across(lower, upper)
    ratio = np.clip(along_upper / length, -1.0, 1.0)
    flexion = np.degrees(np.arctan2(np.sqrt(1.0 - ratio**2), ratio))
    to_trunk = angle_between_deg(upper, down)
    elbow_kept = (flexion >= ELBOW_FROM_DEG) & (flexion <= ELBOW_TO_DEG)
    arm_kept = to_trunk < ARM_AT_SIDE_BELOW_DEG
    return AxialRotation(
        angle_deg=np.where(elbow_kept & arm_kept, (angle + 180.0) % 360.0 - 180.0, np.nan),
        elbow_flexion_deg=flexion,
        arm_to_trunk_deg=to_trunk,
        elbow_kept=elbow_kept,
        arm_kept=arm_kept,
        forearm=forearm,
    )


def _sign_of_depth(share: Floats, side: Side, world_m: ArrayLike | None, window: int) -> Floats:
    """(n,) +1 with the wrist before the elbow, -1 with it behind."""
    if world_m is None:
        return np.ones_like(share)
    world = np.asarray(world_m, np.float64)
    forward = world[..., Landmark.of(side, "elbow"), 2] - world[..., Landmark.of(side, "wrist"), 2]
    steady = running_median(forward, half_width=window // 2)
    return np.where((np.abs(share) > DEPTH_SIGN_FROM_SHARE) & (steady < 0), -1.0, 1.0)
