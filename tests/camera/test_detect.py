"""Sheets are found where the renderer put them, and nowhere else."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from vision_rom.camera.detect import find_board, find_target
from vision_rom.camera.lens import Lens
from vision_rom.camera.rendering import look_at_sheet
from vision_rom.camera.sheets import TARGETS

Picture = Callable[..., NDArray[np.uint8]]


@pytest.mark.parametrize("which", ["normal", "wide"])
def test_board_corners_are_found_to_a_tenth_of_a_pixel(which: str, picture: Picture, request: Any) -> None:
    lens: Lens = request.getfixturevalue(which)
    distance = 0.42 * lens.focal_x_px / 1000
    pose = look_at_sheet(distance_m=distance, turn_deg=25.0, pitch_deg=-15.0, roll_deg=70.0)
    view = find_board(picture("board", pose, lens))
    assert view is not None
    wrong = view.corners_px - lens.project(pose.points_m(view.sheet_m))
    assert len(view.numbers) >= 30
    assert np.sqrt(np.mean(wrong**2)) < 0.1
    assert np.abs(wrong).max() < 0.4
    assert np.abs(wrong.mean(axis=0)).max() < 0.03


def test_a_blurred_board_is_less_sharp(picture: Picture, normal: Lens) -> None:
    pose = look_at_sheet(distance_m=0.45, turn_deg=10.0, pitch_deg=5.0, roll_deg=90.0)
    sharp = picture("board", pose, normal)
    blurred = cv2.GaussianBlur(sharp, (0, 0), 2.5)
    first, second = find_board(sharp), find_board(np.asarray(blurred, np.uint8))
    assert first is not None
    assert second is not None
    assert second.sharpness > 1.6 * first.sharpness


@pytest.mark.parametrize("target", TARGETS, ids=lambda target: target.name)
def test_target_markers_and_bars_are_found(target: Any, picture: Picture, normal: Lens) -> None:
    """At 2.5 m a marker of the small target is 16 px wide; middle lines of bars are good to a tenth of a pixel."""
    pose = look_at_sheet(distance_m=2.5, turn_deg=8.0, pitch_deg=-5.0, roll_deg=3.0, aim_m=(0.1, 0.2))
    view = find_target(picture(target.name, pose, normal), lens=normal)
    assert view is not None
    assert view.target == target
    assert len(view.corners_px) == 20
    wrong = view.corners_px - normal.project(pose.points_m(view.sheet_m))
    assert np.sqrt(np.mean(wrong**2)) < 0.15
    assert [bar.angle_deg for bar in view.bars] == [0, 30, 60, 90, 120, 150, 180]
    for seen, bar in zip(view.bars, target.bars(), strict=True):
        ends = np.array([(*bar.inner_mm, 0.0), (*bar.outer_mm, 0.0)]) / 1000
        start, end = normal.project(pose.points_m(ends))
        along = (end - start) / np.hypot(*(end - start))
        aside = (seen.points_px - start) @ np.array([-along[1], along[0]])
        assert np.abs(np.median(aside)) < 0.1


def test_nothing_is_found_where_nothing_is(normal: Lens) -> None:
    generator = np.random.default_rng(0)
    noise = generator.integers(0, 255, (720, 1280, 3), dtype=np.uint8)
    assert find_board(noise) is None
    assert find_target(noise) is None
    blank = np.full((720, 1280, 3), 200, np.uint8)
    assert find_board(blank) is None
    assert find_target(blank, lens=normal) is None


def test_board_and_target_are_not_taken_for_each_other(picture: Picture, normal: Lens) -> None:
    near = look_at_sheet(distance_m=0.6, turn_deg=5.0, pitch_deg=0.0, roll_deg=90.0)
    assert find_target(picture("board", near, normal)) is None
    assert find_board(picture("small", near, normal)) is None


def test_a_covered_bar_is_left_out_and_the_others_stay(picture: Picture, normal: Lens) -> None:
    """A hand or arm before the sheet: grey over most of the 90 deg bar."""
    pose = look_at_sheet(distance_m=1.2, turn_deg=3.0, pitch_deg=2.0, roll_deg=0.0)
    rgb = picture("small", pose, normal).copy()
    inner, outer = TARGETS[0].bars()[3].inner_mm, TARGETS[0].bars()[3].outer_mm
    (x0, y0), (x1, _) = normal.project(pose.points_m(np.array([(*inner, 0.0), (*outer, 0.0)]) / 1000))
    rgb[int(y0) - 12 : int(y0) + 12, int(x0) : int(x0 + 0.7 * (x1 - x0))] = 120
    view = find_target(rgb, lens=normal)
    assert view is not None
    assert [bar.angle_deg for bar in view.bars] == [0, 30, 60, 120, 150, 180]
