"""How much light reaches a point, and what a screen shows of it. All in linear light until :func:`to_screen`.

Simple diffuse light (Lambert's cosine law) from point lamps and from a hemisphere that is brighter above than below, with
shadows read from coarse depth pictures seen from the lamps. It is meant to look plausible and to cost milliseconds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision_rom.synthetic.raster import Pinhole
from vision_rom.synthetic.scene import Lamp, Room

Singles = NDArray[np.float32]

SHADOW_PX = 192
"""Side of a shadow picture: about 2 cm a pixel on a person"""
BIAS_M = 0.05
"""A surface does not shade itself within this depth."""
SKIN_WRAP = np.array([0.22, 0.13, 0.1], np.float32)
"""Light creeps round edges of skin and cloth, red furthest (a usual shortcut for light scattered under the surface)."""
LAMP_SIZE_M = 0.6
SHOULDER = 1.7
"""Strength of the film-like shoulder of :func:`to_screen`"""
WHITE = 1.5
"""Linear light that is drawn white; white paper in full light is 1"""


@dataclass(frozen=True, slots=True)
class Shadow:
    """What one lamp sees of the people: the nearest depth in each direction."""

    view: Pinhole
    depth_m: Singles
    """(SHADOW_PX, SHADOW_PX); a large number where no one is"""
    cover: Singles
    """(SHADOW_PX, SHADOW_PX) 0 free to 1 behind someone, with soft edges"""
    nearest_m: float
    """Depth of the nearest point of anyone"""

    def free(self, points_m: NDArray[Any], softness_m: float = 0.05) -> Singles:
        """Return how far points (n, 3) are in the light: 0 shaded to 1 free."""
        x, y, depth = self.view.to_pixels(points_m)
        column, row = (np.clip(at, 0, SHADOW_PX - 1).astype(np.int32) for at in (x, y))
        behind = depth - self.depth_m[row, column] - np.float32(BIAS_M)
        return np.asarray(1.0 - np.clip(behind / np.float32(softness_m), 0.0, 1.0), np.float32)


def look_at(eye_m: NDArray[np.float64], low: NDArray[Any], high: NDArray[Any]) -> Pinhole:
    """Return a square view from ``eye_m`` that takes in the box between two corners."""
    middle = (np.asarray(low, np.float64) + high) / 2.0
    radius = float(np.linalg.norm(np.asarray(high, np.float64) - low)) / 2.0
    forward = middle - eye_m
    distance = max(float(np.linalg.norm(forward)), radius * 1.05)
    forward /= np.linalg.norm(forward)
    aside = np.array([1.0, 0.0, 0.0]) if abs(forward[2]) > 0.95 else np.array([0.0, 0.0, 1.0])
    right = np.cross(forward, aside)
    right /= np.linalg.norm(right)
    rotation = np.stack([right, np.cross(forward, right), forward])
    half = radius / np.sqrt(max(distance**2 - radius**2, 1e-6))
    return Pinhole(eye_m, rotation, float(min(half, 3.0)), SHADOW_PX, SHADOW_PX)


def cast(view: Pinhole, points_m: NDArray[Any], *, blur_px: float = 2.2) -> Shadow:
    """Splat dense surface points (n, 3) into the picture of a lamp; cheaper than drawing the triangles."""
    x, y, depth = view.to_pixels(points_m)
    inside = (x >= 0) & (x < SHADOW_PX) & (y >= 0) & (y < SHADOW_PX) & (depth > 0)
    index = y[inside].astype(np.int32) * SHADOW_PX + x[inside].astype(np.int32)
    nearest = np.full(SHADOW_PX * SHADOW_PX, 1e3, np.float32)
    np.minimum.at(nearest, index, depth[inside])
    picture = nearest.reshape(SHADOW_PX, SHADOW_PX)
    closed = cv2.erode(picture, np.ones((3, 3), np.uint8))
    cover = cv2.GaussianBlur((closed < 1e2).astype(np.float32), (0, 0), blur_px)
    return Shadow(view, np.asarray(closed, np.float32), np.asarray(cover, np.float32), float(nearest.min()))


def lamp_light(lamp: Lamp, points_m: Singles, normals: Singles, wrap: Singles | float = 0.0) -> Singles:
    """Light (n, 3) that a lamp throws on points (n, 3) with unit normals (n, 3), shadows aside."""
    towards = lamp.position_m.astype(np.float32) - points_m
    # lamps have a size and leave no burnt spot on a wall near them
    square = np.einsum("...i,...i->...", towards, towards) + np.float32(LAMP_SIZE_M**2)
    cosine = np.einsum("...i,...i->...", towards, normals) / np.sqrt(square)
    facing = np.maximum((cosine[..., None] + wrap) / (1.0 + np.asarray(wrap, np.float32)), 0.0)
    return np.asarray(facing / square[..., None] * lamp.power.astype(np.float32), np.float32)


def sky_light(room: Room, normals: Singles) -> Singles:
    """Light (n, 3) from everywhere: the ceiling's on what looks up, the floor's on what looks down."""
    up = 0.5 + 0.5 * normals[..., 2:3]
    return np.asarray(up * room.sky.astype(np.float32) + (1.0 - up) * room.ground.astype(np.float32), np.float32)


def exposure(room: Room, towards_camera: NDArray[np.float64], scene: Singles) -> float:
    """Return what the camera multiplies light with: a compromise between the person and the whole picture.

    Args:
        room: whose light falls on the person.
        towards_camera: (3,) from the person's chest.
        scene: (..., 3) linear light that the room itself sends to the camera.
    """
    chest = np.array([[0.0, 0.0, 1.25]], np.float32)
    normal = np.asarray(towards_camera, np.float32)[None] / np.float32(np.linalg.norm(towards_camera))
    light = sky_light(room, normal)
    for lamp in room.lamps:
        light = light + lamp_light(lamp, chest, normal, SKIN_WRAP)
    person = 0.8 / max(float(light.mean()), 1e-6)
    whole = 0.24 / max(float(scene.mean()), 1e-6)
    return float(person**0.6 * whole**0.4)


def to_linear(colours: NDArray[np.uint8]) -> Singles:
    """Undo the screen's curve: 0 to 255 -> 0 to 1."""
    return _FROM_SCREEN[colours]


_FROM_SCREEN = ((np.arange(256) / 255.0) ** 2.2).astype(np.float32)


def to_screen(light: Singles) -> NDArray[np.uint8]:
    """Turn linear light (...) into screen values, bright parts rolled off as a camera does; :data:`WHITE` is white."""
    step = np.sqrt(np.clip(light, 0.0, WHITE)) * np.float32((len(_TO_SCREEN) - 1) / WHITE**0.5)
    return np.asarray(_TO_SCREEN[step.astype(np.uint16)], np.uint8)


def _screen_curve(steps: int) -> NDArray[np.uint8]:
    """Screen value at evenly spaced square roots of light, for a power is slow to work out for every pixel."""
    light = np.linspace(0.0, WHITE**0.5, steps) ** 2
    rolled = (1.0 - np.exp(-SHOULDER * light)) / (1.0 - np.exp(-SHOULDER * WHITE))
    return np.asarray(255.0 * rolled ** (1 / 2.2) + 0.5, np.uint8)


_TO_SCREEN = _screen_curve(4096)
