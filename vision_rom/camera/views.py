"""Which pictures of a recording a calibration should rest on: sharp ones that differ from each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from vision_rom.camera.detect import BoardView
from vision_rom.camera.sheets import BOARD
from vision_rom.handover import Floats

MOST_VIEWS = 60
BLURRED = 1.6
"""A view whose edges are wider than this times those of the sharpest tenth is left out."""
MOVING = 0.01
"""Movement during a thirtieth of a second, as a fraction of the board's size in the picture."""


@dataclass(frozen=True, slots=True)
class BoardFrame:
    """A board that was found at a time of the recording."""

    time_s: float
    view: BoardView


def without_moving(frames: Sequence[BoardFrame]) -> list[BoardFrame]:
    """Leave out views during which the board moved by more than 1 % of the longer side of its outline.

    The rows of a phone's picture are read one after the other: a moving board is sheared, and sharply so in good light.
    The movement is that to the neighbouring pictures, over the time of about one picture at 30 a second.
    """
    still = []
    for i, frame in enumerate(frames):
        speeds = [_speed(frame, frames[k]) for k in (i - 1, i + 1) if 0 <= k < len(frames)]
        if speeds and min(speeds) / 30.0 < MOVING:
            still.append(frame)
    return still


def _speed(frame: BoardFrame, other: BoardFrame) -> float:
    """Movement per second of the corners seen in both, relative to the outline; infinite if none is."""
    _, own, others = np.intersect1d(frame.view.numbers, other.view.numbers, return_indices=True)
    if own.size == 0:
        return float("inf")
    moved = np.hypot(*(frame.view.corners_px[own] - other.view.corners_px[others]).T).mean()
    outline = np.ptp(frame.view.corners_px, axis=0).max()
    return float(moved / outline / max(abs(frame.time_s - other.time_s), 1e-3))


def choose_frames(
    frames: Sequence[BoardFrame], *, width_px: int, height_px: int, most: int = MOST_VIEWS
) -> list[BoardFrame]:
    """Choose sharp views that differ from each other: the sharpest first, then each time the one least like the rest.

    Views differ by place, size, turn and tilt of the board.
    """
    measured = [frame for frame in frames if np.isfinite(frame.view.sharpness)]
    if not measured:
        return []
    # edges have a width in pixels, so a near board looks sharper as a fraction of its squares
    widths = np.array([frame.view.sharpness * _square_px(frame.view) for frame in measured])
    sharpest = np.quantile(widths, 0.1)
    sharp = [(frame, width) for frame, width in zip(measured, widths, strict=True) if width <= BLURRED * sharpest]
    features = np.stack([_features(frame.view, width_px, height_px) for frame, _ in sharp])
    chosen = [int(np.argmin([width for _, width in sharp]))]
    distance = np.linalg.norm(features - features[chosen[0]], axis=1)
    while len(chosen) < min(most, len(sharp)):
        following = int(np.argmax(distance))
        if distance[following] < 0.002:
            break  # everything left is the same view again
        chosen.append(following)
        distance = np.minimum(distance, np.linalg.norm(features - features[following], axis=1))
    return sorted((sharp[i][0] for i in chosen), key=lambda frame: frame.time_s)


def _square_px(view: BoardView) -> float:
    """Length of a square's edge in the picture, from the areas of the corners' outlines."""
    sheet = cv2.contourArea(cv2.convexHull(view.sheet_m[:, :2].astype(np.float32)))
    picture = cv2.contourArea(cv2.convexHull(view.corners_px.astype(np.float32)))
    return float(np.sqrt(picture / sheet) * BOARD.square_mm / 1000.0)


def _features(view: BoardView, width_px: int, height_px: int) -> Floats:
    """Place, size, turn and tilt of the board, in units by which they matter about equally."""
    plane, _ = cv2.findHomography(view.sheet_m[:, :2] * 5.0, view.corners_px / max(width_px, height_px))
    centre = view.corners_px.mean(axis=0) / [width_px, height_px]
    if plane is None:
        return np.array([*centre, 0.0, 0.0, 0.0, 0.0, 0.0])
    plane = plane / plane[2, 2]
    along = plane[:2, 0] - plane[2, 0] * plane[:2, 2]
    turn = np.arctan2(along[1], along[0])
    size = np.log(max(float(np.hypot(*along)), 1e-6))
    return np.array([*(2.0 * centre), size, np.cos(turn), np.sin(turn), *(4.0 * plane[2, :2])])
