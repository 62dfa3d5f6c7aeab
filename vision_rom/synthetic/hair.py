"""Hair that hangs or stands off the head as a surface of its own, moving rigidly with the skull."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision_rom.synthetic.appearance import Hair
from vision_rom.synthetic.body import BodyShape, Floats, rig

CURTAIN_ENDS_M: dict[Hair, float] = {"bob": -0.11, "long": -0.2}
"""How far below the eyes hanging hair ends, on a head of average size."""
AVERAGE_HEAD_WIDTH_M = 0.152
"""Width of the average body's head without the ears, read off the mesh."""


@dataclass(frozen=True, slots=True)
class HairMesh:
    """A surface in the axes of the head, the base of the skull at the origin."""

    vertices_m: Floats
    """(V, 3)"""
    faces: NDArray[np.int64]
    """(F, 3)"""


def loose_hair(style: Hair, shape: BodyShape) -> HairMesh | None:
    """Return the surface of a style that needs one, fitted to a head; None for the others."""
    index = rig().index
    eyes = shape.neutral_heads[[index["eye.L"], index["eye.R"]]].mean(0) - shape.neutral_heads[index["head"]]
    scale = _head_width_m(shape) / AVERAGE_HEAD_WIDTH_M
    if style in CURTAIN_ENDS_M:
        return _curtain(eyes, scale, CURTAIN_ENDS_M[style])
    if style == "bun":
        return _ball(eyes + scale * np.array([0, 0.185, 0.06]), 0.036 * scale)
    return None


def _head_width_m(shape: BodyShape) -> float:
    """Width of the skull above the ears."""
    shared = rig()
    head = np.unique(shared.faces[shared.face_region == shared.region_names.index("head")])
    x, _, z = shape.rest_vertices[head].T
    top = z.max()
    return float(np.ptp(x[(z < top - 0.04) & (z > top - 0.09)]))


def _curtain(eyes: Floats, scale: float, end: float) -> HairMesh:
    """Hair falling behind the ears and down the neck, seen from both sides."""
    around = np.radians(np.linspace(-102, 102, 25))
    down = np.linspace(0.095, end, 11)
    # wider than the skull at the temples, drawn in a little towards the ends
    reach = np.interp(down, [-0.2, -0.1, 0.0, 0.05, 0.095], [0.1, 0.098, 0.094, 0.086, 0.055])
    angle, height = np.meshgrid(around, down)
    radius = np.repeat(reach[:, None], len(around), axis=1)
    centre = eyes + scale * np.array([0, 0.085, 0])
    points = centre + scale * np.stack([radius * np.sin(angle), 1.12 * radius * np.cos(angle), height], axis=-1)
    rows, columns = angle.shape
    corner = np.arange(rows * columns).reshape(rows, columns)
    a, b, c, d = (corner[i : rows - 1 + i, j : columns - 1 + j].ravel() for i, j in ((0, 0), (0, 1), (1, 0), (1, 1)))
    outward = np.concatenate([np.stack([a, c, b], 1), np.stack([b, c, d], 1)])
    vertices = points.reshape(-1, 3)
    inward = outward[:, ::-1] + len(vertices)
    return HairMesh(np.concatenate([vertices, vertices]), np.concatenate([outward, inward]))


def _ball(centre: Floats, radius: float) -> HairMesh:
    """A knot of hair."""
    around, up = np.meshgrid(np.radians(np.arange(0, 360, 30)), np.radians(np.linspace(-90, 90, 7)))
    points = centre + radius * np.stack([np.cos(up) * np.cos(around), np.cos(up) * np.sin(around), np.sin(up)], axis=-1)
    rows, columns = around.shape
    corner = np.arange(rows * columns).reshape(rows, columns)
    a, c = corner[:-1].ravel(), corner[1:].ravel()
    b, d = np.roll(corner[:-1], -1, axis=1).ravel(), np.roll(corner[1:], -1, axis=1).ravel()
    return HairMesh(points.reshape(-1, 3), np.concatenate([np.stack([a, b, c], 1), np.stack([b, d, c], 1)]))
