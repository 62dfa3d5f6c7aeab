"""Boxes, cylinders, balls and strips, gathered into one mesh with a colour and a material per triangle."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Colour = tuple[float, float, float]
"""Red, green, blue, 0 to 255"""


class Material(IntEnum):
    """How a surface's flat colour is varied over the surface."""

    PLAIN = 0
    PLANKS = 1
    TILES = 2
    CARPET = 3
    PLASTER = 4
    WALLPAPER = 5
    BRICK = 6
    FABRIC = 7
    WOOD = 8
    GLOWING = 9
    """Sends out light of its own: windows and lampshades"""


@dataclass
class Solids:
    """A mesh under construction, in the frame of one wall: u along it, w out of it into the room, z up."""

    origin: Floats = field(default_factory=lambda: np.zeros(3))
    axes: Floats = field(default_factory=lambda: np.eye(3))
    """Rows: the world directions of u, w and z; a right-handed or left-handed frame, triangles are turned to suit"""
    vertices: list[Floats] = field(default_factory=list)
    faces: list[NDArray[np.int64]] = field(default_factory=list)
    colours: list[NDArray[np.uint8]] = field(default_factory=list)
    materials: list[NDArray[np.uint8]] = field(default_factory=list)
    count: int = 0

    def add(self, vertices: ArrayLike, faces: NDArray[np.integer[Any]], colour: Colour, material: Material) -> None:
        """Add triangles (m, 3), counter-clockwise seen from outside in the (u, w, z) frame."""
        world = np.asarray(vertices, np.float64) @ self.axes + self.origin
        if np.linalg.det(self.axes) < 0:
            faces = faces[:, ::-1]
        self.vertices.append(world)
        self.faces.append(np.asarray(faces, np.int64) + self.count)
        self.colours.append(np.tile(np.clip(colour, 0, 255).astype(np.uint8), (len(faces), 1)))
        self.materials.append(np.full(len(faces), material, np.uint8))
        self.count += len(world)

    def box(self, low: ArrayLike, high: ArrayLike, colour: Colour, material: Material = Material.PLAIN) -> None:
        """Add a box between two opposite corners (u, w, z)."""
        lo, hi = np.minimum(low, high), np.maximum(low, high)
        corner = np.array([[i, j, k] for i in (0, 1) for j in (0, 1) for k in (0, 1)])
        quads = np.array([[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [0, 2, 6, 4], [1, 5, 7, 3]])
        self.add(lo + corner * (hi - lo), _halves(quads), colour, material)

    def spun(
        self,
        middle: ArrayLike,
        profile: ArrayLike,
        colour: Colour,
        material: Material = Material.PLAIN,
        sides: int = 20,
    ) -> None:
        """Add a solid of revolution about the vertical: ``profile`` (n, 2) of (radius, z above ``middle``), upwards."""
        radius, z = np.asarray(profile, np.float64).T
        turn = np.linspace(0, 2 * np.pi, sides, endpoint=False)
        ring = np.stack([np.cos(turn), np.sin(turn)], axis=1)
        wall = np.concatenate(
            [radius[:, None, None] * ring, np.broadcast_to(z[:, None, None], (len(z), sides, 1))], axis=2
        ).reshape(-1, 3)
        i, j = np.meshgrid(np.arange(len(z) - 1), np.arange(sides), indexing="ij")
        a, b = i * sides + j, i * sides + (j + 1) % sides
        quads = np.stack([a, b, b + sides, a + sides], axis=-1).reshape(-1, 4)
        vertices = np.concatenate([wall, [[0, 0, z[0]], [0, 0, z[-1]]]])
        ends = np.arange(sides)
        after = (ends + 1) % sides
        top = (len(z) - 1) * sides
        caps = np.concatenate(
            [
                np.stack([after, ends, np.full(sides, len(wall))], axis=1),
                np.stack([top + ends, top + after, np.full(sides, len(wall) + 1)], axis=1),
            ]
        )
        self.add(vertices + np.asarray(middle), np.concatenate([_halves(quads), caps]), colour, material)

    def rod(self, start: ArrayLike, end: ArrayLike, radius: float, colour: Colour) -> None:
        """Add a thin eight-sided rod in any direction, without ends."""
        a, b = np.asarray(start, np.float64), np.asarray(end, np.float64)
        along = (b - a) / np.linalg.norm(b - a)
        aside = np.cross(along, [0.0, 0.0, 1.0] if abs(along[2]) < 0.9 else [1.0, 0.0, 0.0])
        aside /= np.linalg.norm(aside)
        other = np.cross(along, aside)
        turn = np.arange(8) * np.pi / 4
        ring = radius * (np.cos(turn)[:, None] * aside + np.sin(turn)[:, None] * other)
        j = np.arange(8)
        quads = np.stack([j, (j + 1) % 8, (j + 1) % 8 + 8, j + 8], axis=1)
        self.add(np.concatenate([a + ring, b + ring]), _halves(quads), colour, Material.PLAIN)

    def ball(self, middle: ArrayLike, radii: ArrayLike, colour: Colour, material: Material = Material.PLAIN) -> None:
        """Add an ellipsoid with its three half axes."""
        rise = np.linspace(-np.pi / 2 + 0.15, np.pi / 2 - 0.15, 12)
        ball = Solids()
        ball.spun([0, 0, 0], np.stack([np.cos(rise), np.sin(rise)], axis=1), colour)
        vertices = ball.vertices[0] * np.asarray(radii, np.float64) + np.asarray(middle)
        self.add(vertices, ball.faces[0], colour, material)

    def quad(self, corners: ArrayLike, colour: Colour, material: Material) -> None:
        """Add one flat four-cornered face (4, 3), counter-clockwise as seen."""
        self.add(corners, _halves(np.array([[0, 1, 2, 3]])), colour, material)

    def pleats(self, low: ArrayLike, high: ArrayLike, folds: int, depth_m: float, colour: Colour) -> None:
        """Add a curtain between the corners (u, z) ``low`` and ``high``, in front of the wall."""
        (u0, z0), (u1, z1) = np.asarray(low, np.float64), np.asarray(high, np.float64)
        t = np.linspace(0, 1, folds * 6 + 1)
        u, w = u0 + t * (u1 - u0), 0.07 + depth_m * np.sin(t * folds * 2 * np.pi)
        n = len(t)
        vertices = np.concatenate([np.stack([u, w, np.full(n, z)], axis=1) for z in (z0, z1)])
        j = np.arange(n - 1)
        quads = np.stack([j, j + n, j + 1 + n, j + 1], axis=1)
        self.add(vertices, _halves(quads), colour, Material.FABRIC)


def _halves(quads: NDArray[np.integer[Any]]) -> NDArray[np.int64]:
    """Split quads (n, 4) into triangles (2 n, 3)."""
    return np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]]).astype(np.int64)
