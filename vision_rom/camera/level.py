"""Which way is down, from the vertical edges of a room: door frames, window frames, corners, shelves.

All vertical lines of the world meet in one vanishing point, the direction of down in the camera's axes (R. Hartley and
A. Zisserman, "Multiple View Geometry in Computer Vision", 2nd ed. 2004, ch. 8.6). Rooms also hold slanted lines, so the answer
is often :class:`Unsure`. It cannot be told from the picture alone that all upright edges of a room lean the same way.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from vision_rom.angles.vectors import NORMAL_SD_PER_MAD
from vision_rom.camera.lens import Lens
from vision_rom.camera.placement import Level, Unsure
from vision_rom.handover import Bools, Floats

SHORTEST_EDGE = 0.08
"""Of the picture's height."""
LARGEST_LEAN_DEG = 30.0
"""Edges, and answers, that lean more than this in the picture are not considered."""
SAME_EDGE_DEG = 0.4
AGREE_DEG = 0.6
NEARLY_DEG = 2.5
FEWEST_EDGES = 4
SMALLEST_SPREAD = 0.25
"""Of the picture's width, between the outermost edges: side by side they fix the roll but not the pitch."""
SMALLEST_SHARE = 0.6
"""Of the length of all upright-looking edges that must agree with the answer."""
LARGEST_SD_DEG = 1.0
PLUMB_SD_DEG = 0.3
"""How plumb frames and walls are built (common practice, no source)."""


def level_from_edges(
    rgb: NDArray[np.uint8], lens: Lens, *, ignore_boxes_px: Sequence[tuple[float, float, float, float]] = ()
) -> Level | Unsure:
    """Find down from the upright edges in a picture (height, width, 3), or say why that cannot be done.

    ``ignore_boxes_px``: (left, top, right, bottom) where edges are not of the room, such as the patient's box.
    """
    ends = upright_edges(rgb, lens, ignore_boxes_px=ignore_boxes_px)
    return level_from_lines(ends, lens)


def upright_edges(
    rgb: NDArray[np.uint8], lens: Lens, *, ignore_boxes_px: Sequence[tuple[float, float, float, float]] = ()
) -> Floats:
    """Return the ends (n, 2, 2) in pixels of straight edges that are long and near the picture's vertical.

    Line segment detector of R. Grompone von Gioi et al., "LSD: a line segment detector", IPOL 2, 2012, as in OpenCV.
    """
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    lines = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD).detect(grey)[0]
    if lines is None:
        return np.zeros((0, 2, 2))
    # the detector's pixels begin at their corner, ours at their centre
    ends = np.asarray(lines, np.float64).reshape(-1, 2, 2) - 0.5
    keep = np.hypot(*(ends[:, 1] - ends[:, 0]).T) >= SHORTEST_EDGE * lens.height_px
    middle = ends.mean(axis=1)
    for left, top, right, bottom in ignore_boxes_px:
        keep &= ~((middle[:, 0] > left) & (middle[:, 0] < right) & (middle[:, 1] > top) & (middle[:, 1] < bottom))
    straight = lens.straighten(ends)
    along = straight[:, 1] - straight[:, 0]
    lean_deg = np.degrees(np.arctan2(np.abs(along[:, 0]), np.abs(along[:, 1])))
    keep &= np.isfinite(lean_deg) & (lean_deg < LARGEST_LEAN_DEG)
    return np.asarray(ends[keep])


def level_from_lines(ends_px: Floats, lens: Lens) -> Level | Unsure:
    """Find down from the ends (n, 2, 2) of lines of which most are thought to be upright, or say why not."""
    normals, lengths, place = _edges(ends_px, lens)
    if len(normals) < FEWEST_EDGES:
        return Unsure(f"only {len(normals)} long upright edges are in the picture, at least {FEWEST_EDGES} are needed")
    down, agree = _best_direction(normals, lengths)
    if agree.sum() < FEWEST_EDGES:
        return Unsure(
            f"only {int(agree.sum())} upright edges agree with each other, at least {FEWEST_EDGES} are needed"
        )
    share = float(lengths[agree].sum() / lengths.sum())
    if share < SMALLEST_SHARE:
        return Unsure(f"only {share:.0%} of the upright edges agree with each other: slanted things are in the picture")
    spread = float(np.ptp(place[agree]) / lens.width_px)
    if spread < SMALLEST_SPREAD:
        return Unsure("the upright edges are all in one part of the picture, which does not show the camera's pitch")
    sd_deg = _sd_deg(normals, lengths, agree, down)
    if sd_deg > LARGEST_SD_DEG:
        return Unsure(f"the upright edges fix the level only to {sd_deg:.1f} deg")
    level = Level(down, sd_deg, "edges")
    if np.hypot(level.roll_deg, level.pitch_deg) > LARGEST_LEAN_DEG:
        return Unsure("the edges would put the camera more than 30 deg off level, so they are hardly upright")
    return level


def _edges(ends_px: Floats, lens: Lens) -> tuple[Floats, Floats, Floats]:
    """Return (n, 3) normals of the planes through camera and edge, (n,) lengths and (n,) places across the picture.

    Pieces of one edge, and the two sides of a thin one, count as one edge.
    """
    if len(ends_px) == 0:
        return np.zeros((0, 3)), np.zeros(0), np.zeros(0)
    rays = np.concatenate([lens.rays(ends_px), np.ones((*ends_px.shape[:2], 1))], axis=-1)
    normals = np.cross(rays[:, 0], rays[:, 1])
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    normals *= np.where(normals[:, :1] < 0.0, -1.0, 1.0)
    lengths = np.hypot(*(ends_px[:, 1] - ends_px[:, 0]).T)
    place = ends_px[..., 0].mean(axis=1)
    merged: list[tuple[Floats, float, float]] = []
    for i in np.argsort(-lengths):
        for k, (normal, length, at) in enumerate(merged):
            apart_deg = np.degrees(np.arctan2(np.linalg.norm(np.cross(normals[i], normal)), normals[i] @ normal))
            if apart_deg < SAME_EDGE_DEG:
                total = length + lengths[i]
                mean = (normal * length + normals[i] * lengths[i]) / total
                merged[k] = (mean / np.linalg.norm(mean), total, at)
                break
        else:
            merged.append((normals[i], float(lengths[i]), float(place[i])))
    return (
        np.stack([normal for normal, _, _ in merged]),
        np.array([length for _, length, _ in merged]),
        np.array([at for _, _, at in merged]),
    )


def _best_direction(normals: Floats, lengths: Floats) -> tuple[Floats, Bools]:
    """Try the crossing of every pair of long edges; return the direction most length agrees with, and who agrees."""
    longest = np.argsort(-lengths)[:40]
    first, second = np.triu_indices(len(longest), 1)
    tried = np.cross(normals[longest[first]], normals[longest[second]])
    size = np.linalg.norm(tried, axis=1)
    tried = tried[size > 1e-6] / size[size > 1e-6, None]
    tried = tried * np.where(tried[:, 1:2] < 0.0, -1.0, 1.0)
    agree = np.abs(tried @ normals.T) < np.sin(np.radians(AGREE_DEG))
    best = int(np.argmax(agree @ lengths))
    down, own = tried[best], agree[best]
    for _ in range(6):
        if own.sum() < 2:
            break
        down = _common_direction(normals[own], lengths[own])
        # in a crooked room the few edges that agree by chance must not outvote the rest: the limit follows the scatter
        off_deg = np.degrees(np.arcsin(np.clip(np.abs(normals @ down), 0.0, 1.0)))
        scatter_deg = (
            NORMAL_SD_PER_MAD * float(np.median(off_deg[off_deg < NEARLY_DEG])) if (off_deg < NEARLY_DEG).any() else 0.0
        )
        own = off_deg < np.clip(3.0 * scatter_deg, AGREE_DEG, NEARLY_DEG)
    return down, own


def _common_direction(normals: Floats, lengths: Floats) -> Floats:
    """Return the unit vector most nearly at right angles to all normals, pointing down."""
    down = np.linalg.svd(normals * lengths[:, None], full_matrices=True)[2][2]
    return np.asarray(down if down[1] > 0.0 else -down)


def _sd_deg(normals: Floats, lengths: Floats, agree: Bools, down: Floats) -> float:
    """Standard deviation of down in its worse direction, mostly the pitch.

    Each edge is off plumb by the scatter of the edges that agree and of those that nearly do: leaving the latter out
    would make a crooked room look plumb. That scatter goes through the normal equations of the edges that agree.
    """
    off_deg = np.degrees(np.arcsin(np.clip(normals @ down, -1.0, 1.0)))
    near = off_deg[np.abs(off_deg) < NEARLY_DEG]
    scatter_deg = max(float(np.sqrt(np.mean(near**2))), PLUMB_SD_DEG)
    own = normals[agree]
    # the smallest eigenvalue belongs to down itself
    weakest = float(np.linalg.eigvalsh(own.T @ own)[1])
    by_scatter_deg = scatter_deg / np.sqrt(weakest) if weakest > 0.0 else float("inf")
    return max(by_scatter_deg, _jackknife_deg(own, lengths[agree], down))


def _jackknife_deg(normals: Floats, lengths: Floats, down: Floats) -> float:
    count = len(normals)
    moved = []
    for i in range(count):
        rest = np.arange(count) != i
        other = _common_direction(normals[rest], lengths[rest])
        moved.append(np.degrees(np.arctan2(np.linalg.norm(np.cross(down, other)), down @ other)))
    return float(np.sqrt((count - 1) / count * np.sum(np.square(moved))))
