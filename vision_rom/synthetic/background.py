"""The room without people, drawn once for a camera: fully lit, and as it looks where people take the light away.

VTK only says which triangle each pixel shows; colour, pattern and light are then computed for all pixels at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from vision_rom.synthetic.raster import Mesh, Pinhole, rasteriser
from vision_rom.synthetic.scene import Room
from vision_rom.synthetic.shading import (
    SHADOW_PX,
    Shadow,
    Singles,
    exposure,
    lamp_light,
    look_at,
    sky_light,
    to_linear,
    to_screen,
)
from vision_rom.synthetic.solids import Material

GLOW = np.float32(1.5)
"""Windows and lampshades against white paper"""
PEOPLE_LOW, PEOPLE_HIGH = np.array([-1.3, -1.1, 0.0]), np.array([1.3, 1.1, 2.2])
"""People beyond this box cast no shadow on the room."""
OVERHEAD_M = np.array([0.0, 0.0, 6.0])
"""From where the ceiling's even light is taken to come when it leaves armpits, chins and the floor darker."""


class Resample(Protocol):
    """Turns drawn pixels (h, w, k) into the picture's (height, width, k), averaged or each taken whole."""

    def __call__(self, drawn: NDArray[Any], *, smooth: bool) -> NDArray[Any]:
        """Return the picture."""


@dataclass(frozen=True, slots=True, eq=False)
class Catcher:
    """Where the room catches the people's shadow from one direction, worked out once for a still camera."""

    view: Pinhole
    """From the lamp"""
    rows: slice
    columns: slice
    """The part of the picture that a shadow can reach"""
    map_x: NDArray[np.int16]
    map_y: NDArray[np.uint16]
    """OpenCV's fixed-point map from that part into the lamp's view"""
    depth_m: Singles
    """From the lamp, -1 where no shadow can fall"""

    def strength(self, shadow: Shadow) -> Singles:
        """Return how deep the shadow is on ``rows`` and ``columns``: 0 none to 1 full."""
        cover = cv2.remap(shadow.cover, self.map_x, self.map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
        return np.asarray(np.where(self.depth_m > shadow.nearest_m, cover, np.float32(0.0)), np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class Background:
    """A room without people."""

    lit: NDArray[np.uint8]
    """(height, width, 3) the picture"""
    shaded: NDArray[np.uint8]
    """(height, width, 3) without the first lamp and with half the light from above: where a shadow is deepest"""
    drawn_depth_m: Singles
    """Along the optical axis, in the pixels that the rasteriser draws"""
    gain: float
    """What the camera multiplies light with before :func:`to_screen`"""
    lamp: Catcher
    """Of the first lamp's shadow"""
    above: Catcher
    """Of the darkness round the feet"""


def draw_background(room: Room, view: Pinhole, shown: NDArray[np.bool_], resample: Resample) -> Background:
    """Draw the triangles ``shown`` (m,) of a room; ``resample`` turns drawn pixels into the picture's."""
    faces = room.faces[shown]
    mesh = Mesh(np.arange(3 * len(faces)).reshape(-1, 3), 3 * len(faces))
    number = np.arange(1, len(faces) + 1)
    code = np.stack([number & 255, number >> 8 & 255, number >> 16 & 255], axis=1).astype(np.uint8)
    mesh.update(vertices_m=room.vertices_m[faces].reshape(-1, 3), colours=np.repeat(code, 3, axis=0))
    drawing = rasteriser().draw([mesh], view)
    drawn = np.isfinite(drawing.depth_m)
    read = drawing.rgb.astype(np.int32)
    face = np.where(drawn, read[..., 0] + (read[..., 1] << 8) + (read[..., 2] << 16) - 1, 0)
    depth = np.where(drawn, drawing.depth_m, np.float32(15.0))
    points = view.rays() * depth[..., None] + view.position_m.astype(np.float32)

    corners = room.vertices_m[faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12)
    normals = normal.astype(np.float32)[face]
    material = room.face_materials[shown][face]
    albedo = to_linear(room.face_colours[shown])[face] * _pattern(room, points, normals, material)[..., None]
    albedo = _jointed(
        room, albedo, points, normals, material, np.asarray(depth / np.float32(view.focal_px), np.float32)
    )

    occluded = _nearby_darkness(depth)[..., None]
    sky = sky_light(room, normals) * (1.0 - 0.6 * occluded)
    lamps = [lamp_light(lamp, points, normals) * (1.0 - 0.3 * occluded) for lamp in room.lamps]
    first = lamps[0] * _furniture_shadow(mesh, room.lamps[0].position_m, points + 0.06 * normals)[..., None]
    others = sum(lamps[1:], np.zeros_like(first))
    glowing = (material == Material.GLOWING)[..., None]
    whole = albedo * (sky + first + others)
    gain = exposure(room, view.position_m - [0.0, 0.0, 1.25], whole[::4, ::4])
    lit = np.where(glowing, albedo * GLOW, whole * np.float32(gain))
    shaded = np.where(glowing, albedo * GLOW, albedo * (0.5 * sky + others) * np.float32(gain))
    seen = resample(points, smooth=True)
    return Background(
        lit=resample(to_screen(lit), smooth=True),
        shaded=resample(to_screen(shaded), smooth=True),
        drawn_depth_m=depth,
        gain=gain,
        lamp=_catcher(look_at(room.lamps[0].position_m, PEOPLE_LOW, PEOPLE_HIGH), seen),
        above=_catcher(look_at(OVERHEAD_M, PEOPLE_LOW, PEOPLE_HIGH), np.where(seen[..., 2:] < 0.1, seen, np.nan)),
    )


def _catcher(view: Pinhole, points: Singles) -> Catcher:
    """Follow each pixel's point (height, width, 3) back to a lamp; NaN catches nothing."""
    with np.errstate(invalid="ignore"):
        x, y, depth = view.to_pixels(points)
        x, y = x - np.float32(0.5), y - np.float32(0.5)
        reached = (x > -1) & (x < view.width_px) & (y > -1) & (y < view.height_px) & (depth > 0)
    rows, columns = (_range(np.asarray(reached.any(axis=1 - i))) for i in (0, 1))
    part = [np.where(reached[rows, columns], a[rows, columns], np.float32(-5.0)) for a in (x, y, depth)]
    map_x, map_y = cv2.convertMaps(part[0], part[1], cv2.CV_16SC2)
    return Catcher(view, rows, columns, map_x, map_y, part[2])


def _range(used: NDArray[np.bool_]) -> slice:
    """Return the smallest slice that holds all that is used, at least one element."""
    at = np.flatnonzero(used)
    return slice(int(at[0]), int(at[-1]) + 1) if len(at) else slice(0, 1)


def _furniture_shadow(mesh: Mesh, lamp_m: NDArray[np.float64], points: Singles) -> Singles:
    """Light of one lamp that gets past the furniture, 0 to 1, with edges a few centimetres soft."""
    view = look_at(lamp_m, PEOPLE_LOW * 1.7, PEOPLE_HIGH * [1.7, 1.7, 1.0])
    view = Pinhole(view.position_m, view.rotation, view.half_height, 3 * SHADOW_PX, 3 * SHADOW_PX)
    depth = rasteriser().draw([mesh], view).depth_m
    x, y, distance = view.to_pixels(points)
    x, y = x - np.float32(0.5), y - np.float32(0.5)
    free = np.zeros(points.shape[:2], np.float32)
    around = ((-1.2, -0.6), (0.7, -1.1), (1.1, 0.8), (-0.6, 1.2))
    reach = distance - np.float32(0.02)
    for dx, dy in around:
        nearest = cv2.remap(depth, x + dx, y + dy, cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT, borderValue=1e3)
        free += (reach < nearest) | (reach < 0.3)
    return np.asarray(free / np.float32(len(around)), np.float32)


def _nearby_darkness(depth: Singles) -> Singles:
    """Darken corners and edges: how far each pixel lies behind its surroundings, 0 to 1.

    The idea is that of T. Luft, C. Colditz, O. Deussen, "Image enhancement by unsharp masking the depth buffer", ACM
    Transactions on Graphics 25(3), 2006.
    """
    height, width = depth.shape
    small = cv2.resize(depth, (max(width // 4, 1), max(height // 4, 1)), interpolation=cv2.INTER_AREA)
    spread = cv2.resize(cv2.GaussianBlur(small, (0, 0), max(1.0, height / 200.0)), (width, height))
    return np.asarray(np.clip((depth - spread) * 3.0, 0.0, 1.0), np.float32)


@lru_cache(maxsize=8)
def _noise(seed: int) -> Singles:
    """(512, 512) smooth noise that tiles, about -1 to 1, coarse and fine together."""
    rng = np.random.default_rng((seed, 33))
    total = np.zeros((512, 512), np.float32)
    for cells, weight in ((4, 1.0), (16, 0.6), (64, 0.4), (256, 0.3)):
        coarse = np.pad(rng.normal(0, 0.45, (cells, cells)).astype(np.float32), ((0, 1), (0, 1)), mode="wrap")
        at = np.arange(512, dtype=np.float32) * np.float32(cells / 512.0)
        column, row = np.meshgrid(at, at)
        total += np.float32(weight) * cv2.remap(coarse, column, row, cv2.INTER_LINEAR)
    return total


def _read_noise(room: Room, u: Singles, v: Singles, scale: float) -> Singles:
    """Noise (n,) at surface coordinates in metres; ``scale`` is the tile's side in metres."""
    row, column = ((c * np.float32(512.0 / scale)).astype(np.int64) & 511 for c in (v, u))
    return np.asarray(_noise(room.seed)[row, column], np.float32)


def _surface(room: Room, points: Singles, normals: Singles) -> tuple[Singles, Singles]:
    """Coordinates on the surface in metres: across and along for floors, along and up for walls."""
    turn = np.radians(room.turn_deg)
    x = points[:, 0] * np.float32(np.cos(turn)) + points[:, 1] * np.float32(np.sin(turn))
    y = points[:, 1] * np.float32(np.cos(turn)) - points[:, 0] * np.float32(np.sin(turn))
    flat = np.abs(normals[:, 2]) > 0.7
    facing_x = np.abs(normals[:, 0] * np.cos(turn) + normals[:, 1] * np.sin(turn)) > 0.7
    return np.where(flat, x, np.where(facing_x, y, x)), np.where(flat, y, points[:, 2])


def _pattern(room: Room, points: Singles, normals: Singles, material: NDArray[np.uint8]) -> Singles:
    """Factor on the colour of every pixel (height, width)."""
    factor = np.ones(material.shape, np.float32)
    for kind in np.unique(material):
        if kind == Material.GLOWING:
            continue
        here = material == kind
        u, v = _surface(room, points[here], normals[here])
        if kind == Material.PLANKS:
            plank = np.floor(u / 0.14)
            shift = np.modf(np.abs(np.sin(plank * 12.9898) * 43758.5453))[0]
            tone = np.modf(np.abs(np.sin(plank * 78.233 + np.floor(v / 1.2 + shift) * 37.7) * 43758.5453))[0]
            value = 0.82 + 0.3 * tone + 0.1 * _read_noise(room, u * 6, v * 0.7, 1.5)
        elif kind == Material.WOOD:
            value = 1.0 + 0.1 * _read_noise(room, u * 0.5, v * 5, 1.5)
        elif kind == Material.CARPET:
            value = 1.0 + 0.14 * _read_noise(room, u, v, 0.35) + 0.08 * _read_noise(room, u, v, 3.0)
        elif kind == Material.FABRIC:
            value = 1.0 + 0.1 * _read_noise(room, u, v, 0.6)
        elif kind == Material.BRICK:
            course = np.floor(v / 0.075)
            tone = np.modf(np.abs(np.sin(np.floor(u / 0.24 + 0.5 * (course % 2)) * 12.99 + course * 78.2) * 43758.5))[0]
            value = 0.78 + 0.36 * tone + 0.12 * _read_noise(room, u, v, 0.5)
        else:
            value = 1.0 + 0.05 * _read_noise(room, u, v, 2.5)
        factor[here] = np.clip(value, 0.2, 1.6)
    return factor


def _jointed(
    room: Room,
    albedo: Singles,
    points: Singles,
    normals: Singles,
    material: NDArray[np.uint8],
    pixel_m: Singles,
) -> Singles:
    """Draw what has a second colour: joints between tiles, bricks and planks, and wallpaper stripes.

    A joint narrower than a pixel (``pixel_m`` across) is drawn a pixel wide and as much fainter.
    """
    second = to_linear(np.array(room.second_colour, np.uint8))
    for kind, wide, high, joint in (
        (Material.TILES, 0.33, 0.33, 0.006),
        (Material.BRICK, 0.24, 0.075, 0.01),
        (Material.PLANKS, 0.14, 1e6, 0.003),
        (Material.WALLPAPER, 0.16, 1e6, 0.08),
    ):
        here = material == kind
        if not here.any():
            continue
        u, v = _surface(room, points[here], normals[here])
        if kind == Material.BRICK:
            u = u + np.float32(0.5 * wide) * (np.floor(v / np.float32(high)) % 2)
        drawn = np.maximum(np.float32(1.6) * pixel_m[here], np.float32(joint))
        between = (np.mod(u, np.float32(wide)) < drawn) | (np.mod(v, np.float32(high)) < drawn)
        share = (between * np.float32(joint) / drawn)[:, None]
        shade = albedo[here]
        other = shade * np.float32(0.4) if kind == Material.PLANKS else second
        albedo[here] = shade + share * (other - shade)
    return albedo
