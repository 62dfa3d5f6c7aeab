"""Axial rotation of the upper arm at the side, elbow bent to 90 degrees, seen from the front.

The forearm then lies across the trunk's axis, and its direction about that axis is the rotation. The picture shows the
forearm's part to the side; its part towards the camera follows from the length that is missing:

    depth^2 = length^2 - across^2 - along^2

with the forearm's true length learned over the clip. A forearm that points at the camera is nearer to it than the elbow
and looks shifted away from the picture's middle: at 3 m that alone is worth about 4 degrees, and it is taken out. Straight
ahead is 0 and outward positive; angles run through atan2(across, depth), with the trunk's own turn to the camera taken off.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vision_rom.angles.elevation import trunk_down_px
from vision_rom.angles.vectors import along_and_across, angle_between_deg, running_median
from vision_rom.handover import Floats, Landmark, Side

FOREARM_PER_TRUNK = 0.507
"""0.146 / 0.288 of body height, Drillis and Contini 1966 in Winter, Biomechanics and Motor Control of Human Movement."""

FOREARM_PER_UPPER_ARM = 0.785
"""0.146 / 0.186 of body height, same source."""

FOREARM_BOUNDS_PER_TRUNK = (0.38, 0.66)
"""Lengths outside are refused as landmark errors: the table's ratio give or take 30%, our own margin."""

FOREARM_RATIO_SD = 0.10
"""Standard deviation of people's forearm length against the table's, as a share, landmarks included; assumed."""

SEEN_LENGTH_NOISE = 0.05
"""Standard deviation of the longest seen length from landmark errors, as a share of the forearm; assumed."""

EXPLORED_POWER = 6
"""How sure it is that a rotation test shows the forearm nearly at full length: the greatest share seen is taken to be
distributed as share^6 (median 0.91, that is 65 degrees from straight ahead); assumed."""

FOCAL_PER_LONG_SIDE = 0.9
"""Focal length over the longer side of the picture where none is given; phones and webcams lie around 0.75 to 1.05, from
memory. It only sets the size of the perspective correction, half of which a wrong value by a half would leave."""

ELBOW_FROM_DEG, ELBOW_TO_DEG = 60.0, 120.0
"""Elbow flexion between which rotation is measured: 70 to 110 as the position asks, and 10 for the landmarks."""

ARM_AT_SIDE_BELOW_DEG = 40.0
"""Upper arm further than this from the trunk: it is no longer rotation at the side."""

DEPTH_SIGN_FROM_SHARE = 0.80
"""The forearm is taken to point ahead until its part to the side exceeds this share of its length; only there (beyond
53 degrees) can it have passed the side, and only there is the network's depth asked for the sign."""


PERSPECTIVE_ROUNDS = 4
"""Depth and perspective depend on each other; each round shrinks the rest by about ten."""


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

    Two witnesses are put together on a grid of lengths. The body's proportions, from trunk and upper arm, say where the
    length is likely to be. The longest length seen (97% quantile, so that single bad frames do not count) is that
    length times the greatest share of it that the clip shows, which is at most 1 and in a rotation test mostly close
    to it. Mean and standard deviation of the product of both likelihoods are returned; where nothing was seen, those
    of the proportions alone.
    """
    trunk = np.asarray(trunk_px, np.float64)
    trunk = np.where(trunk > 0, trunk, np.nan)
    seen = np.asarray(forearm_px, np.float64) / trunk
    upper = np.asarray(upper_arm_px, np.float64) / trunk
    low, high = FOREARM_BOUNDS_PER_TRUNK
    believable = seen[np.isfinite(seen) & (seen <= high)]
    longest = float(np.quantile(believable, 0.97)) if believable.size else float("nan")
    likely = [FOREARM_PER_TRUNK]
    hanging = upper[np.isfinite(upper)]
    if hanging.size:
        likely.append(FOREARM_PER_UPPER_ARM * float(np.quantile(hanging, 0.75)))
    centre = float(np.clip(np.mean(likely), low, high))
    if not np.isfinite(longest):
        return ForearmLength(per_trunk=centre, sd_per_trunk=FOREARM_RATIO_SD * centre, seen_per_trunk=longest)
    length = np.linspace(low, high, 141)
    share = np.linspace(0.0, 1.0, 101)
    by_proportions = np.exp(-0.5 * ((length - centre) / (FOREARM_RATIO_SD * centre)) ** 2)
    misfit = (longest / length[:, None] - share) / SEEN_LENGTH_NOISE
    by_sight = np.exp(-0.5 * misfit**2) @ share**EXPLORED_POWER
    weight = by_proportions * by_sight
    weight /= weight.sum()
    mean = float(weight @ length)
    return ForearmLength(
        per_trunk=mean, sd_per_trunk=float(np.sqrt(weight @ (length - mean) ** 2)), seen_per_trunk=longest
    )


def rotation_curve(
    landmarks_px: ArrayLike,
    *,
    side: Side,
    facing_deg: float = 0.0,
    world_m: ArrayLike | None = None,
    forearm: ForearmLength | None = None,
    picture_px: tuple[int, int] | None = None,
    focal_px: float | None = None,
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
    _, across, depth = _forearm_in_space(lower, down, length)
    if picture_px is not None:
        centre = np.asarray(picture_px, np.float64) / 2
        focal = FOCAL_PER_LONG_SIDE * max(picture_px) if focal_px is None else focal_px
        for _ in range(PERSPECTIVE_ROUNDS):
            # pixels at the elbow's distance serve as the unit of length, and the focal length is that distance
            level = centre + (wrist - centre) * (1.0 - depth / focal)[..., None]
            _, across, depth = _forearm_in_space(level - elbow, down, length)
    across = -outward * across  # clockwise of "down" is the left of the picture
    depth = depth * _sign_of_depth(across / length, side, world_m, depth_window)
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


def _forearm_in_space(lower: Floats, down: Floats, length: Floats) -> tuple[Floats, Floats, Floats]:
    """Parts of the forearm along the trunk, across it and, from the missing length, towards the camera."""
    along, across = along_and_across(lower, down)
    return along, across, np.sqrt(np.maximum(length**2 - along**2 - across**2, 0.0))


def _sign_of_depth(share: Floats, side: Side, world_m: ArrayLike | None, window: int) -> Floats:
    """(n,) +1 with the wrist before the elbow, -1 with it behind."""
    if world_m is None:
        return np.ones_like(share)
    world = np.asarray(world_m, np.float64)
    forward = world[..., Landmark.of(side, "elbow"), 2] - world[..., Landmark.of(side, "wrist"), 2]
    steady = running_median(forward, half_width=window // 2)
    return np.where((np.abs(share) > DEPTH_SIGN_FROM_SHARE) & (steady < 0), -1.0, 1.0)
