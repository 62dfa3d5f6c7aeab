"""A stick figure of known angles, seen through a camera that we choose."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from vision_rom.handover import Landmark, PoseModel, PoseTrack

# Fractions of body height after Drillis and Contini 1966, as tabulated in Winter, Biomechanics and Motor Control of
# Human Movement; shoulders are drawn in to 0.80 of the trunk, where the network's marks lie.
HEIGHT_M = 1.75
TRUNK, UPPER_ARM, FOREARM, HIPS = (share * HEIGHT_M for share in (0.288, 0.186, 0.146, 0.130))
SHOULDERS = 0.80 * TRUNK
LEG, FOOT, NOSE = 0.530 * HEIGHT_M, 0.110 * HEIGHT_M, 0.055 * HEIGHT_M

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Seen:
    """What the camera gives: the arrays of a pose track."""

    px: Array
    visibility: Array
    world_m: Array
    time_s: Array

    def track(self, *, width_px: int = 720, height_px: int = 960) -> PoseTrack:
        return PoseTrack(
            time_s=self.time_s,
            frame_index=np.arange(len(self.time_s)),
            landmarks_px=self.px,
            visibility=self.visibility,
            world_m=self.world_m,
            width_px=width_px,
            height_px=height_px,
            model=PoseModel("drawn", "", ""),
        )


def figure(
    *,
    elevation_deg: object = 0.0,
    azimuth_deg: float = 0.0,
    side: str = "left",
    other_elevation_deg: object = 4.0,
    rotation_deg: object | None = None,
    elbow_deg: float = 90.0,
    facing_deg: object = 0.0,
    lean_deg: float = 0.0,
    roll_deg: float = 0.0,
    distance_m: float | None = 3.0,
    scale: float = 1.0,
    rate_hz: float = 30.0,
) -> Seen:
    """Draw the figure with one arm raised in the plane ``azimuth_deg``, or turned at the side by ``rotation_deg``.

    ``distance_m`` None is an orthographic camera. ``lean_deg`` tips the trunk in the picture, to the viewer's right;
    ``roll_deg`` turns the picture clockwise.
    """
    elevation, other, facing, rotation = np.broadcast_arrays(
        *(
            np.atleast_1d(np.asarray(v, float))
            for v in (elevation_deg, other_elevation_deg, facing_deg, 0.0 if rotation_deg is None else rotation_deg)
        )
    )
    n = len(elevation)
    a = np.radians(facing)
    left = np.stack([np.cos(a), np.zeros(n), np.sin(a)], axis=1)  # camera axes: x right, y down, z away
    ahead = np.stack([np.sin(a), np.zeros(n), -np.cos(a)], axis=1)
    down = np.tile([0.0, 1.0, 0.0], (n, 1))
    world = np.zeros((n, 33, 3))
    neck = -TRUNK * down

    def put(name: str, where: Array) -> None:
        world[:, Landmark[name]] = where

    for name, sign in (("LEFT", 1.0), ("RIGHT", -1.0)):
        put(f"{name}_HIP", sign * HIPS / 2 * left)
        put(f"{name}_KNEE", sign * HIPS / 2 * left + LEG / 2 * down)
        put(f"{name}_ANKLE", sign * HIPS / 2 * left + LEG * down)
        put(f"{name}_HEEL", sign * HIPS / 2 * left + LEG * down - 0.2 * FOOT * ahead)
        put(f"{name}_FOOT_INDEX", sign * HIPS / 2 * left + LEG * down + 0.8 * FOOT * ahead)
        put(f"{name}_EAR", neck - 0.1 * HEIGHT_M * down + sign * 0.04 * HEIGHT_M * left)
        own = sign * left
        shoulder = neck + SHOULDERS / 2 * own
        moving = name.lower() == side
        e = np.radians(elevation if moving else other)[:, None]
        p = np.radians(azimuth_deg if moving else 0.0)
        outward = np.cos(p) * own + np.sin(p) * ahead
        turn = rotation_deg is not None and moving
        upper = down if turn else np.sin(e) * outward + np.cos(e) * down
        r, k = np.radians(rotation)[:, None], np.radians(elbow_deg)
        lower = np.sin(k) * (np.sin(r) * own + np.cos(r) * ahead) + np.cos(k) * down if turn else upper
        put(f"{name}_SHOULDER", shoulder)
        put(f"{name}_ELBOW", shoulder + UPPER_ARM * upper)
        put(f"{name}_WRIST", shoulder + UPPER_ARM * upper + FOREARM * lower)
    put("NOSE", neck - 0.1 * HEIGHT_M * down + NOSE * ahead)

    tip = np.radians(lean_deg)
    world = world @ np.array([[np.cos(tip), np.sin(tip), 0], [-np.sin(tip), np.cos(tip), 0], [0, 0, 1]])
    flat = (
        world[..., :2] * 300.0 if distance_m is None else 300.0 * 3.0 * world[..., :2] / (distance_m + world[..., 2:])
    )
    turn_by = np.radians(roll_deg)
    roll = np.array([[np.cos(turn_by), np.sin(turn_by)], [-np.sin(turn_by), np.cos(turn_by)]])
    px = scale * (flat @ roll) + np.array([360.0, 500.0])
    depth = scale * 300.0 * world[..., 2:]
    drawn = np.isin(
        np.arange(33),
        [
            Landmark[f"{s}_{p}"]
            for s in ("LEFT", "RIGHT")
            for p in ("HIP", "KNEE", "ANKLE", "HEEL", "FOOT_INDEX", "EAR", "SHOULDER", "ELBOW", "WRIST")
        ]
        + [Landmark.NOSE],
    )
    px, world = (np.where(drawn[None, :, None], v, np.nan) for v in (np.concatenate([px, depth], axis=2), world))
    return Seen(
        px=px,
        visibility=np.where(drawn, 0.99, 0.0) * np.ones((n, 1)),
        world_m=world,
        time_s=np.arange(n) / rate_hz,
    )


@pytest.fixture(scope="session")
def draw() -> Callable[..., Seen]:
    return figure


def minimum_jerk(x: Array) -> Array:
    """Flash and Hogan 1985: position of a point-to-point movement over its normalised time."""
    x = np.clip(x, 0, 1)
    return 10 * x**3 - 15 * x**4 + 6 * x**5


@pytest.fixture(scope="session")
def raise_and_return() -> Callable[..., Array]:
    def profile(start_deg: float, peak_deg: float, *, rate_hz: float = 30.0) -> Array:
        """Rest 0.6 s, 2 s up, 1 s held, 2 s down, rest 0.6 s."""
        up = start_deg + (peak_deg - start_deg) * minimum_jerk(np.arange(int(2 * rate_hz)) / (2 * rate_hz))
        rest = np.full(int(0.6 * rate_hz), start_deg)
        return np.concatenate([rest, up, np.full(int(rate_hz), peak_deg), up[::-1], rest])

    return profile
