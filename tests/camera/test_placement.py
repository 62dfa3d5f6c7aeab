"""Where the camera stands: against poses that were chosen, and scipy's rotations as second opinion."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from vision_rom.camera.lens import Lens
from vision_rom.camera.placement import (
    Level,
    camera_axes,
    level_from_user,
    place_camera,
    typical_placement,
)
from vision_rom.camera.rendering import SheetPose, look_at_sheet
from vision_rom.camera.sheets import TARGETS

LENS = Lens(1000.0, 1000.0, 645.0, 355.0, 1280, 720, (0.08, -0.15, 0.0006, -0.0004, 0.05))
SHEET_M = np.concatenate(list(TARGETS[0].marker_corners_m().values()))

turns = st.floats(-35.0, 35.0)
rolls = st.floats(-60.0, 60.0)


@given(turn=turns, pitch=turns, roll=rolls, distance=st.floats(0.8, 4.0))
def test_exact_corners_give_the_exact_placement(turn: float, pitch: float, roll: float, distance: float) -> None:
    pose = look_at_sheet(distance_m=distance, turn_deg=turn, pitch_deg=pitch, roll_deg=roll)
    placement = place_camera(SHEET_M, LENS.project(pose.points_m(SHEET_M)), LENS)
    assert placement is not None
    np.testing.assert_allclose(
        [placement.turn_deg, placement.pitch_deg, placement.roll_deg], [turn, pitch, roll], atol=0.02
    )
    assert placement.distance_m == pytest.approx(distance, rel=1e-4)
    # the camera's axis against the wall's normal: cos = cos(turn) cos(pitch), by the right-angled spherical triangle
    expected = np.cos(np.radians(turn)) * np.cos(np.radians(pitch))
    assert np.cos(np.radians(placement.off_plane_deg)) == pytest.approx(expected, abs=1e-4)


def test_signs_in_words() -> None:
    """A camera turned right sees a sheet straight ahead of its stand left of the middle; tipped up, lower; and so on."""
    middle = np.zeros(3)
    standing = np.array([0.0, 0.0, 2.0])
    right = SheetPose(camera_axes(10.0, 0.0, 0.0).T, camera_axes(10.0, 0.0, 0.0).T @ standing)
    assert LENS.project(right.points_m(middle))[0] < LENS.centre_x_px - 100
    up = SheetPose(camera_axes(0.0, 10.0, 0.0).T, camera_axes(0.0, 10.0, 0.0).T @ standing)
    assert LENS.project(up.points_m(middle))[1] > LENS.centre_y_px + 100
    clockwise = look_at_sheet(distance_m=2.0, turn_deg=0.0, pitch_deg=0.0, roll_deg=10.0)
    top = LENS.project(clockwise.points_m(np.array([0.0, -0.1, 0.0])))
    assert top[0] < LENS.centre_x_px - 5  # the world turns the other way


def test_the_stated_deviation_covers_what_noise_does() -> None:
    """Over 60 pictures with corner noise of 0.15 px the errors are as large as stated, within a factor of 1.5."""
    generator = np.random.default_rng(4)
    ratios = []
    for _ in range(60):
        truth = generator.uniform([5.0, 5.0, -10.0], [20.0, 20.0, 10.0])
        pose = look_at_sheet(distance_m=2.0, turn_deg=truth[0], pitch_deg=truth[1], roll_deg=truth[2])
        corners = LENS.project(pose.points_m(SHEET_M))
        placement = place_camera(SHEET_M, corners + generator.normal(0.0, 0.15, corners.shape), LENS)
        assert placement is not None
        found = np.array([placement.turn_deg, placement.pitch_deg, placement.roll_deg])
        ratios.append((found - truth) / placement.sd_deg)
    spread = np.sqrt(np.mean(np.square(ratios), axis=0))
    assert (spread < 1.5).all()
    assert (spread > 1 / 1.5).all()


def test_a_tiny_sheet_is_called_ambiguous() -> None:
    """At 8 m the sheet is 25 px wide: a turn to the left looks like one to the right."""
    generator = np.random.default_rng(0)
    pose = look_at_sheet(distance_m=8.0, turn_deg=12.0, pitch_deg=0.0, roll_deg=0.0)
    corners = LENS.project(pose.points_m(SHEET_M)) + generator.normal(0.0, 0.3, (len(SHEET_M), 2))
    placement = place_camera(SHEET_M, corners, LENS)
    assert placement is not None
    assert placement.ambiguous
    near = look_at_sheet(distance_m=1.5, turn_deg=12.0, pitch_deg=0.0, roll_deg=0.0)
    placement = place_camera(SHEET_M, LENS.project(near.points_m(SHEET_M)), LENS)
    assert placement is not None
    assert not placement.ambiguous


def test_too_few_corners_have_no_placement() -> None:
    corners = np.full((20, 2), np.nan)
    corners[:3] = 100.0
    assert place_camera(SHEET_M, corners, LENS) is None


def test_the_typical_placement_is_the_middle_one() -> None:
    poses = [look_at_sheet(distance_m=2.0, turn_deg=t, pitch_deg=0.0, roll_deg=0.0) for t in (8.0, 10.0, 12.0)]
    placements = [place_camera(SHEET_M, LENS.project(pose.points_m(SHEET_M)), LENS) for pose in poses]
    typical = typical_placement([p for p in placements if p is not None])
    assert typical.turn_deg == pytest.approx(10.0, abs=0.01)


@given(turn=turns, pitch=turns, roll=rolls)
def test_a_level_does_not_depend_on_the_turn(turn: float, pitch: float, roll: float) -> None:
    """Down seen by a camera that was rolled, then pitched, then turned about the plumb line (scipy's rotations)."""
    axes = Rotation.from_euler("YXZ", [turn, pitch, roll], degrees=True)
    level = Level(axes.inv().apply([0.0, 1.0, 0.0]), 0.5, "target")
    assert level.roll_deg == pytest.approx(roll, abs=1e-6)
    assert level.pitch_deg == pytest.approx(pitch, abs=1e-6)
    stated = level_from_user(roll_deg=roll, pitch_deg=pitch)
    np.testing.assert_allclose(stated.down, level.down, atol=1e-9)
    assert stated.source == "user"
