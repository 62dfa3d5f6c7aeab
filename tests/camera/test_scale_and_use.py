"""Centimetres, and what measuring does with a camera: against plain geometry."""

from __future__ import annotations

import datetime
import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision_rom.camera.fov import assumed_focal, stated_focal
from vision_rom.camera.lens import Lens
from vision_rom.camera.placement import Placement, level_from_user, place_camera
from vision_rom.camera.profile import CameraProfile
from vision_rom.camera.reference import find_reference, reference_from
from vision_rom.camera.rendering import look_at_sheet
from vision_rom.camera.scale import scale_from_length, scale_from_sheet
from vision_rom.camera.sheets import TARGETS
from vision_rom.camera.use import level_landmarks, picture_geometry, undistort_landmarks
from vision_rom.clip import open_clip
from vision_rom.handover import Frame

WIDE = Lens(600.0, 600.0, 634.0, 366.0, 1280, 720, (-0.22, 0.05, 0.0004, 0.0003))
SHEET_M = np.concatenate(list(TARGETS[0].marker_corners_m().values()))
PROFILE = CameraProfile("wide", datetime.date(2026, 1, 1), WIDE, 0.2, (598.0, 602.0), 30, 0.9)


def placed(turn: float = 12.0, pitch: float = -6.0, roll: float = 4.0) -> Placement:
    pose = look_at_sheet(distance_m=2.0, turn_deg=turn, pitch_deg=pitch, roll_deg=roll)
    placement = place_camera(SHEET_M, WIDE.project(pose.points_m(SHEET_M)), WIDE)
    assert placement is not None
    return placement


@given(x=st.floats(-0.5, 0.5), y=st.floats(-0.5, 0.5), dx=st.floats(-0.3, 0.3), dy=st.floats(-0.3, 0.3))
def test_distances_on_the_wall_come_back_in_centimetres(x: float, y: float, dx: float, dy: float) -> None:
    pose = look_at_sheet(distance_m=2.0, turn_deg=12.0, pitch_deg=-6.0, roll_deg=4.0)
    first, second = WIDE.project(pose.points_m(np.array([[x, y, 0.0], [x + dx, y + dy, 0.0]])))
    length = scale_from_sheet(placed(), WIDE).length(first, second)
    assert length.cm == pytest.approx(100 * np.hypot(dx, dy), abs=0.05)


def test_a_patient_before_the_wall_is_measured_in_the_patients_plane() -> None:
    """Hand and shoulder 30 cm before the wall (z is into the wall), 42 cm apart."""
    pose = look_at_sheet(distance_m=2.0, turn_deg=12.0, pitch_deg=-6.0, roll_deg=4.0)
    first, second = WIDE.project(pose.points_m(np.array([[-0.2, 0.1, -0.3], [0.22, 0.1, -0.3]])))
    scale = scale_from_sheet(placed(), WIDE)
    on_wall = scale.length(first, second)
    before = scale.before(0.3).length(first, second)
    assert before.cm == pytest.approx(42.0, abs=0.1)
    assert on_wall.cm > before.cm + 5.0  # the mistake that `before` is there to avoid
    assert before.sd_cm > on_wall.sd_cm
    with pytest.raises(ValueError, match="not before the camera"):
        scale.before(3.0)


def test_a_known_length_gives_the_scale_and_its_error() -> None:
    """1.70 m over 850 px is 2 mm a pixel; 2 cm of doubt and 5 % of depth add in squares."""
    scale = scale_from_length(np.array([400.0, 100.0]), np.array([400.0, 950.0]), 1.70, sd_m=0.02)
    length = scale.length(np.array([0.0, 0.0]), np.array([30.0, 40.0]))
    assert length.cm == pytest.approx(10.0)
    assert length.sd_cm == pytest.approx(10.0 * np.hypot(0.02 / 1.70, 0.05))
    with pytest.raises(ValueError, match="no scale"):
        scale_from_length(np.zeros(2), np.zeros(2), 1.7, sd_m=0.02)


def test_undistorted_landmarks_are_those_of_a_straight_lens() -> None:
    """(n, 33, 3) landmarks of points in space: x and y as without distortion, z as it was, NaN rows untouched."""
    generator = np.random.default_rng(2)
    points = generator.uniform([-1.0, -0.6, 1.5], [1.0, 0.6, 2.5], (7, 33, 3))
    landmarks = np.concatenate([WIDE.project(points), generator.normal(0, 50, (7, 33, 1))], axis=-1)
    landmarks[3] = np.nan
    straight = Lens(600.0, 600.0, 634.0, 366.0, 1280, 720)
    expected = straight.project(points)
    found = undistort_landmarks(landmarks, WIDE)
    assert found.shape == (7, 33, 3)
    assert np.isnan(found[3]).all()
    keep = np.arange(7) != 3
    np.testing.assert_allclose(found[keep][..., :2], expected[keep], atol=1e-4)
    np.testing.assert_array_equal(found[keep][..., 2], landmarks[keep][..., 2])


def test_levelled_plumb_lines_are_upright_and_parallel() -> None:
    pose = look_at_sheet(distance_m=2.0, turn_deg=10.0, pitch_deg=-14.0, roll_deg=9.0)
    for x in (-0.6, 0.0, 0.6):
        ends = WIDE.project(pose.points_m(np.array([[x, -0.5, 0.0], [x, 0.5, 0.0]])))
        found = level_landmarks(ends, WIDE, level_from_user(roll_deg=9.0, pitch_deg=-14.0))
        assert found[1, 0] - found[0, 0] == pytest.approx(0.0, abs=1e-4)
        assert found[1, 1] > found[0, 1]


def test_geometry_without_a_profile_states_its_range() -> None:
    """27 mm on the 43.27 mm diagonal of 36 x 24 mm film is 0.624 of the picture's diagonal."""
    geometry = picture_geometry(width_px=1920, height_px=1080)
    assert geometry.focal.focal_px == pytest.approx(27 / 43.2666 * 2202.9, rel=1e-4)
    assert "22 to 36 mm" in geometry.remarks[0]
    low, middle, high = geometry.lenses()
    assert low.focal_x_px < middle.focal_x_px < high.focal_x_px
    assert low.focal_x_px == pytest.approx(assumed_focal(1920, 1080).low_px)
    stated = stated_focal(26.0, 1920, 1080)
    assert stated.low_px < 26 / 43.2666 * 2202.9 < stated.high_px
    with pytest.raises(ValueError, match="above 0"):
        stated_focal(0.0, 1920, 1080)


def test_geometry_with_a_profile_scales_its_interval() -> None:
    geometry = picture_geometry(width_px=2560, height_px=1440, profile=PROFILE)
    assert geometry.focal.low_px == pytest.approx(1196.0)
    assert geometry.focal.high_px == pytest.approx(1204.0)
    assert len(geometry.remarks) == 2


def test_a_standing_target_gives_a_level_and_a_moving_one_does_not() -> None:
    placements = [placed(turn=12.0 + 0.02 * k) for k in range(5)]
    reference = reference_from(placements, "target", WIDE, looked_at=6)
    assert reference.level is not None
    assert reference.level.roll_deg == pytest.approx(4.0, abs=0.05)
    assert reference.level.pitch_deg == pytest.approx(-6.0, abs=0.05)
    assert "5 of 6 pictures" in reference.remarks[0]
    moving = reference_from([placed(turn=4.0 * k) for k in range(5)], "target", WIDE, looked_at=5)
    assert moving.moved
    assert moving.level is None
    assert reference_from(placements, "board", WIDE, looked_at=5).level is None


def test_a_recording_without_a_sheet_has_no_reference() -> None:
    blank = np.full((720, 1280, 3), 180, np.uint8)
    frames = [Frame(k, k / 30, blank) for k in range(2)]
    assert find_reference(frames, WIDE) is None


def test_a_target_in_a_recording_is_found_and_used() -> None:
    """The example recording's truth lies beside it: placement, level and the distance of two of the sheet's corners."""
    folder = Path(__file__).parents[2] / "calibration" / "examples"
    truth = json.loads((folder / "target_turned.truth.json").read_text("utf-8"))
    lens = Lens(
        truth["focal_x_px"],
        truth["focal_y_px"],
        truth["centre_x_px"],
        truth["centre_y_px"],
        truth["width_px"],
        truth["height_px"],
        tuple(truth["distortion"].values()),
    )
    with open_clip(folder / "target_turned.mp4", wanted_rate_hz=2.0) as reader:
        reference = find_reference(reader, lens)
    assert reference is not None
    assert reference.kind == "target"
    assert not reference.moved
    assert reference.placement.turn_deg == pytest.approx(truth["turn_deg"], abs=0.7)
    assert reference.level is not None
    assert reference.level.pitch_deg == pytest.approx(truth["pitch_deg"], abs=0.7)
    assert reference.level.roll_deg == pytest.approx(truth["roll_deg"], abs=0.2)
    pose = look_at_sheet(distance_m=2.0, turn_deg=17.0, pitch_deg=-4.0, roll_deg=-2.0)
    first, second = lens.project(pose.points_m(np.array([[-0.3, 0.2, 0.0], [0.3, -0.25, 0.0]])))
    assert reference.scale.length(first, second).cm == pytest.approx(75.0, abs=0.75)
