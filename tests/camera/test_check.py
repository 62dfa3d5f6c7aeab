"""The angle target's verdict against angles that trigonometry gives for the same camera."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from vision_rom.camera.check import bar_angles_deg, check_target
from vision_rom.camera.detect import BarView, TargetView, find_target
from vision_rom.camera.fov import assumed_focal
from vision_rom.camera.lens import Lens
from vision_rom.camera.rendering import SheetPose, look_at_sheet
from vision_rom.camera.sheets import TARGETS
from vision_rom.errors import NothingMeasurable

Picture = Callable[..., NDArray[np.uint8]]


def exact_view(lens: Lens, pose: SheetPose, *, noise_px: float = 0.0, seed: int = 0) -> TargetView:
    """The target as a perfect detector would report it."""
    generator = np.random.default_rng(seed)
    target = TARGETS[0]
    sheet_m = np.concatenate(list(target.marker_corners_m().values()))
    bars = []
    for bar in target.bars():
        line = np.linspace([*bar.inner_mm, 0.0], [*bar.outer_mm, 0.0], 40) / 1000
        points = lens.project(pose.points_m(line))
        bars.append(BarView(bar.angle_deg, points + generator.normal(0.0, noise_px, points.shape)))
    corners = lens.project(pose.points_m(sheet_m))
    return TargetView(target, corners + generator.normal(0.0, noise_px, corners.shape), sheet_m, tuple(bars))


def seen_angle_deg(known_deg: float, turn_deg: float) -> float:
    """An angle from straight down as a far camera sees it that is turned about the plumb line: widths shrink by cos."""
    across = np.sin(np.radians(known_deg)) * np.cos(np.radians(turn_deg))
    return float(np.degrees(np.arctan2(across, np.cos(np.radians(known_deg)))))


@pytest.mark.parametrize("turn_deg", [0.0, 10.0, -25.0])
def test_a_far_camera_reads_the_foreshortened_angle(turn_deg: float) -> None:
    """From 60 m perspective is gone, and the plain reading is that of the shortened width."""
    lens = Lens(60000.0, 60000.0, 639.5, 359.5, 1280, 720)
    pose = look_at_sheet(distance_m=60.0, turn_deg=turn_deg, pitch_deg=0.0, roll_deg=7.0)
    read = bar_angles_deg(exact_view(lens, pose).bars)
    for known in (30.0, 60.0, 90.0, 120.0, 150.0, 180.0):
        assert read[known] == pytest.approx(seen_angle_deg(known, turn_deg), abs=0.1)


def test_removing_lens_and_placement_gives_the_known_angles_exactly(wide: Lens) -> None:
    pose = look_at_sheet(distance_m=1.5, turn_deg=20.0, pitch_deg=-15.0, roll_deg=8.0, aim_m=(0.4, -0.3))
    view = exact_view(wide, pose)
    for known, read in bar_angles_deg(view.bars, wide, pose.rotation).items():
        assert read == pytest.approx(known, abs=1e-6)


def test_a_square_camera_passes_and_a_turned_one_fails_with_advice(normal: Lens) -> None:
    square = look_at_sheet(distance_m=2.0, turn_deg=1.0, pitch_deg=-1.0, roll_deg=4.0)
    check = check_target(
        [exact_view(normal, square, noise_px=0.05, seed=s) for s in range(5)], normal, with_profile=True
    )
    assert check.passed
    assert check.verdict.startswith("Pass")
    turned = look_at_sheet(distance_m=2.0, turn_deg=18.0, pitch_deg=0.0, roll_deg=0.0)
    check = check_target(
        [exact_view(normal, turned, noise_px=0.05, seed=s) for s in range(5)], normal, with_profile=True
    )
    assert not check.passed
    assert "turned 18 deg to the right: turn it back to the left" in check.verdict
    assert check.passed_with_target
    expected = abs(seen_angle_deg(60.0, 18.0) - 60.0)
    assert check.largest_error_deg == pytest.approx(expected, abs=0.5)


def test_the_advice_leads_to_a_squarer_camera(normal: Lens) -> None:
    """A camera turned right that is moved right along the wall, still aiming at the sheet, is turned less."""
    pose = look_at_sheet(distance_m=2.0, turn_deg=18.0, pitch_deg=0.0, roll_deg=0.0)
    camera_m = -pose.rotation.T @ pose.position_m
    assert camera_m[0] < 0.0  # it stands to the left of the sheet, so moving right brings it before it


def test_an_unprofiled_wide_lens_is_named(wide: Lens) -> None:
    """Square to the wall, the sheet in a corner of a wide picture: distortion alone is over the limit."""
    rotation = np.eye(3)
    pose = SheetPose(rotation, np.array([1.3, 0.75, 1.8]))
    plain = assumed_focal(1280, 720).lens(1280, 720, focal_px=600.0)
    without = check_target([exact_view(wide, pose)] * 3, plain, with_profile=False)
    assert not without.passed
    with_lens = check_target([exact_view(wide, pose)] * 3, wide, with_profile=True)
    assert with_lens.passed
    assert with_lens.largest_error_deg < 0.01


def test_too_few_pictures_are_refused(normal: Lens) -> None:
    view = exact_view(normal, look_at_sheet(distance_m=2.0, turn_deg=0.0, pitch_deg=0.0, roll_deg=0.0))
    with pytest.raises(NothingMeasurable, match="read in 2 pictures"):
        check_target([view] * 2, normal, with_profile=True)


def test_a_moving_camera_is_noticed(normal: Lens) -> None:
    def views(step_deg: float) -> list[TargetView]:
        poses = [look_at_sheet(distance_m=2.0, turn_deg=step_deg * k, pitch_deg=9.0, roll_deg=0.0) for k in range(8)]
        return [exact_view(normal, pose) for pose in poses]

    assert check_target(views(2.0), normal, with_profile=True).moved
    assert not check_target(views(0.05), normal, with_profile=True).moved


@pytest.mark.parametrize(
    ("which", "turn", "pitch", "roll", "distance", "aim"),
    [
        ("normal", 3.0, -2.0, 4.0, 2.0, (0.1, 0.1)),
        ("normal", -14.0, 6.0, -5.0, 2.4, (0.2, -0.1)),
        ("wide", 8.0, -10.0, 2.0, 1.5, (-0.5, 0.2)),
    ],
)
def test_rendered_targets_are_read_as_geometry_says(
    which: str,
    turn: float,
    pitch: float,
    roll: float,
    distance: float,
    aim: tuple[float, float],
    picture: Picture,
    request: Any,
) -> None:
    """From pixels: plain readings within 0.3 deg of the exact projection, placed ones within 0.3 deg of the sheet."""
    lens: Lens = request.getfixturevalue(which)
    pose = look_at_sheet(distance_m=distance, turn_deg=turn, pitch_deg=pitch, roll_deg=roll, aim_m=aim)
    views = [find_target(picture("small", pose, lens, seed=s), lens=lens) for s in range(3)]
    check = check_target([view for view in views if view is not None], lens, with_profile=True)
    plain = bar_angles_deg(exact_view(lens, pose).bars)
    for reading in check.readings:
        assert reading.as_filmed_deg == pytest.approx(plain[reading.known_deg], abs=0.3)
        assert reading.facing_deg == pytest.approx(reading.known_deg, abs=0.3)
    assert check.placement.turn_deg == pytest.approx(turn, abs=1.0)
    assert check.placement.pitch_deg == pytest.approx(pitch, abs=1.0)
    assert check.placement.roll_deg == pytest.approx(roll, abs=0.1)
