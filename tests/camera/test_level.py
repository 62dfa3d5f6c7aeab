"""Down from upright edges: rooms of known level, and rooms that must be answered with "unsure"."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from vision_rom.camera.lens import Lens
from vision_rom.camera.level import level_from_edges, level_from_lines
from vision_rom.camera.placement import Level, Unsure, camera_axes

LENS = Lens(900.0, 900.0, 640.0, 360.0, 1280, 720, (-0.1, 0.02))


def upright_lines(
    generator: np.random.Generator, axes: np.ndarray, count: int, *, lean_deg: float = 0.0, noise_px: float = 0.3
) -> np.ndarray:
    """(n, 2, 2) ends of upright edges of a room, as the lens shows them; ``lean_deg`` slants each its own way."""
    ends = []
    while len(ends) < count:
        foot = generator.uniform([-2.0, 0.2, 2.0], [2.0, 1.2, 4.0])
        lean = np.radians(lean_deg) * generator.uniform(-1.0, 1.0, 2)
        top = foot - generator.uniform(0.8, 2.0) * np.array([np.sin(lean[0]), np.cos(lean[0]), np.sin(lean[1])])
        pixels = LENS.project(np.stack([foot, top]) @ axes)
        if LENS.contains(pixels).all():
            ends.append(pixels + generator.normal(0.0, noise_px, (2, 2)))
    return np.array(ends)


def off_level_deg(level: Level, axes: np.ndarray) -> float:
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(level.down, axes[1])), level.down @ axes[1])))


def test_rooms_with_upright_edges_are_levelled() -> None:
    """40 rooms, cameras up to 12 deg off: most are answered, within their own interval and within 1.5 deg."""
    generator = np.random.default_rng(7)
    errors, answered = [], 0
    for _ in range(40):
        axes = camera_axes(generator.uniform(-20, 20), generator.uniform(-12, 12), generator.uniform(-12, 12))
        level = level_from_lines(upright_lines(generator, axes, 8), LENS)
        if isinstance(level, Level):
            answered += 1
            errors.append(off_level_deg(level, axes) / level.sd_deg)
            assert off_level_deg(level, axes) < 1.5
    assert answered >= 30
    assert np.mean(np.array(errors) < 2.5) > 0.9


def test_slanted_clutter_is_unsure() -> None:
    """Lines that lean every way by up to 25 deg: a level must hardly ever be claimed."""
    generator = np.random.default_rng(8)
    claimed = 0
    for _ in range(40):
        axes = camera_axes(0.0, generator.uniform(-10, 10), generator.uniform(-10, 10))
        level = level_from_lines(upright_lines(generator, axes, 10, lean_deg=25.0), LENS)
        claimed += isinstance(level, Level)
    assert claimed <= 1


def test_too_few_and_too_narrow_are_unsure() -> None:
    generator = np.random.default_rng(9)
    axes = camera_axes(0.0, 5.0, 3.0)
    few = level_from_lines(upright_lines(generator, axes, 3), LENS)
    assert isinstance(few, Unsure)
    assert "only 3" in few.reason
    assert isinstance(level_from_lines(np.zeros((0, 2, 2)), LENS), Unsure)
    lines = upright_lines(generator, axes, 60)
    narrow = lines[np.abs(lines[..., 0].mean(axis=1) - 640) < 120]
    assert len(narrow) >= 5
    answer = level_from_lines(narrow, LENS)
    assert isinstance(answer, Unsure)


def room_picture(axes: np.ndarray, *, seed: int, blank: bool = False) -> NDArray[np.uint8]:
    """A drawn room: wall, three door or window frames and a shelf, seen through the lens; 4 x 4 samples a pixel."""
    generator = np.random.default_rng(seed)
    finer = 3
    picture = np.full((720 * finer, 1280 * finer), 190, np.uint8)
    if not blank:
        for left, width, top, bottom, depth in (
            (-1.6, 0.8, -1.0, 1.2, 3.2),
            (-0.3, 0.5, -0.9, 0.4, 3.2),
            (0.9, 0.6, -1.1, 1.2, 3.2),
            (1.7, 0.25, -0.6, 1.1, 2.6),
        ):
            outline = np.array(
                [[left, top, depth], [left + width, top, depth], [left + width, bottom, depth], [left, bottom, depth]]
            )
            edges = [np.linspace(outline[i], outline[(i + 1) % 4], 30, endpoint=False) for i in range(4)]
            pixels = LENS.project(np.concatenate(edges) @ axes)
            pixels = pixels[np.isfinite(pixels).all(axis=1)]
            fixed = np.round((pixels + 0.5) * finer - 0.5).astype(np.int32)
            cv2.fillPoly(picture, [fixed], int(generator.integers(60, 130)))
    grey = cv2.resize(picture, (1280, 720), interpolation=cv2.INTER_AREA).astype(np.float64)
    grey = cv2.GaussianBlur(grey, (0, 0), 0.8) + generator.normal(0.0, 2.0, grey.shape)
    return np.repeat(np.clip(grey, 0, 255).astype(np.uint8)[..., None], 3, axis=2)


@pytest.mark.parametrize(("pitch", "roll"), [(0.0, 0.0), (6.0, -4.0), (-8.0, 7.0)])
def test_a_drawn_room_is_levelled_from_its_pixels(pitch: float, roll: float) -> None:
    axes = camera_axes(5.0, pitch, roll)
    level = level_from_edges(room_picture(axes, seed=1), LENS)
    assert isinstance(level, Level), level
    assert off_level_deg(level, axes) < 1.0
    assert level.roll_deg == pytest.approx(roll, abs=0.5)
    assert level.source == "edges"


def test_a_bare_wall_is_unsure_and_so_is_one_that_the_patient_covers() -> None:
    axes = camera_axes(0.0, 3.0, 2.0)
    assert isinstance(level_from_edges(room_picture(axes, seed=2, blank=True), LENS), Unsure)
    covered = level_from_edges(room_picture(axes, seed=2), LENS, ignore_boxes_px=[(0.0, 0.0, 1280.0, 720.0)])
    assert isinstance(covered, Unsure)
