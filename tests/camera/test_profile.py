"""Stored cameras: what is written comes back, what is broken is named, and the rules for other pictures."""

from __future__ import annotations

import datetime
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from vision_rom.camera.lens import Lens
from vision_rom.camera.profile import (
    CameraProfile,
    lens_for_picture,
    profile_text,
    read_profile,
    resized,
    turned,
    write_profile,
)
from vision_rom.errors import OutputError, UsageError

LENS = Lens(1000.25, 1001.5, 645.0, 355.0, 1280, 720, (0.08, -0.15, 0.0006, -0.0004, 0.05, 0.0, 0.0, 0.0))
PROFILE = CameraProfile(
    name='rear "main" \\ 1x\nsecond line',
    date=datetime.date(2026, 3, 14),
    lens=LENS,
    residual_px=0.21,
    focal_interval95_px=(998.0, 1003.0),
    views=31,
    coverage=0.94,
    rotation_deg=90,
    zoom=1.0,
    focus_note="locked at 2 m",
)


def test_written_and_read_again(tmp_path: Path) -> None:
    path = tmp_path / "phone.camera.toml"
    write_profile(PROFILE, path)
    assert read_profile(path) == PROFILE
    assert [p.name for p in tmp_path.iterdir()] == ["phone.camera.toml"]


def test_writing_into_a_missing_folder_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="does not exist"):
        write_profile(PROFILE, tmp_path / "missing" / "x.toml")
    assert not (tmp_path / "missing").exists()


def test_a_folder_in_the_way_is_reported_and_nothing_is_left(tmp_path: Path) -> None:
    (tmp_path / "x.toml").mkdir()
    with pytest.raises(OutputError, match="was not written"):
        write_profile(PROFILE, tmp_path / "x.toml")
    assert [p.name for p in tmp_path.iterdir()] == ["x.toml"]


@pytest.mark.parametrize(
    ("line", "wrong", "named"),
    [
        ("format = 1", "format = 2", "'format' is 2"),
        ("focal_x_px = 1000.25", "", "'lens.focal_x_px' is missing"),
        ("focal_x_px = 1000.25", "focal_x_px = -3", "'lens.focal_x_px' is -3"),
        ("focal_x_px = 1000.25", "focal_x_px = nan", "'lens.focal_x_px' is nan"),
        ("focal_x_px = 1000.25", "focal_x_px = true", "'lens.focal_x_px' is True"),
        ("focal_x_px = 1000.25", 'focal_x_px = "wide"', "'lens.focal_x_px' is 'wide'"),
        ("width_px = 1280", "width_px = 1280.5", "'picture.width_px' is 1280.5"),
        ("rotation_deg = 90", "rotation_deg = 45", "0, 90, 180 or 270"),
        ("date = 2026-03-14", 'date = "spring"', "a date such as"),
        ("date = 2026-03-14", "date = 2026-03-14T10:00:00", "a date such as"),
        ("[quality]", "[qualities]", "'qualities' is not a known field"),
        ("k1 = 0.08", "k1 = 0.08\nk9 = 0.0", "'distortion.k9' is not a known field"),
        ("centre_x_px = 645.0", "centre_x_px = 2000.0", "outside the picture"),
        ("focal_low_px = 998.0", "focal_low_px = 1010.0", "larger than"),
        ("coverage = 0.94", "coverage = 94", "a number from 0 to 1"),
        ("zoom = 1.0", "zoom = =", "no valid TOML"),
    ],
)
def test_every_broken_field_is_named(tmp_path: Path, line: str, wrong: str, named: str) -> None:
    path = tmp_path / "broken.toml"
    text = profile_text(PROFILE)
    assert text.count(line) == 1
    path.write_text(text.replace(line, wrong), "utf-8")
    with pytest.raises(UsageError, match=re.escape(named)) as caught:
        read_profile(path)
    assert str(path) in str(caught.value)


def test_no_profile_and_no_text(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="No camera profile"):
        read_profile(tmp_path / "none.toml")
    (tmp_path / "picture.toml").write_bytes(b"\xff\xd8\xff\xe0")
    with pytest.raises(UsageError, match="cannot be read as text"):
        read_profile(tmp_path / "picture.toml")


def some_points() -> np.ndarray:
    return np.random.default_rng(1).uniform([-0.5, -0.3, 0.9], [0.5, 0.3, 1.3], (40, 3))


@pytest.mark.parametrize("quarter", [0, 1, 2, 3])
def test_turning_the_picture_turns_what_the_lens_shows(quarter: int) -> None:
    """A clockwise quarter of a picture of height h takes the pixel (x, y) to (h - 1 - y, x), and so the world."""
    points = some_points()
    pixels = LENS.project(points)
    height, width = 720, 1280
    for _ in range(quarter):
        pixels = np.stack([height - 1 - pixels[:, 1], pixels[:, 0]], axis=1)
        points = np.stack([-points[:, 1], points[:, 0], points[:, 2]], axis=1)
        height, width = width, height
    lens = turned(LENS, 90 * quarter)
    assert (lens.width_px, lens.height_px) == (width, height)
    np.testing.assert_allclose(lens.project(points), pixels, atol=1e-9)


def test_resizing_keeps_every_point_at_its_share_of_the_picture() -> None:
    """Shares are counted from the picture's edge, half a pixel before the first pixel's centre."""
    points = some_points()
    half = resized(LENS, 640, 360)
    np.testing.assert_allclose((half.project(points) + 0.5) * 2, LENS.project(points) + 0.5, atol=1e-9)


def test_the_same_picture_needs_no_rule() -> None:
    lens, remarks = lens_for_picture(PROFILE, width_px=1280, height_px=720, rotation_deg=90, zoom=1.0)
    assert lens == LENS
    assert remarks == ()


def test_a_phone_held_upright_uses_the_profile_turned_and_says_so() -> None:
    lens, remarks = lens_for_picture(PROFILE, width_px=720, height_px=1280, rotation_deg=0)
    assert lens == turned(LENS, 270)
    assert len(remarks) == 1
    assert "turned by 270 deg" in remarks[0]


def test_another_size_of_the_same_shape_is_scaled_and_said() -> None:
    lens, remarks = lens_for_picture(PROFILE, width_px=1920, height_px=1080)
    assert lens.focal_x_px == pytest.approx(LENS.focal_x_px * 1.5)
    assert "scaled from 1280 x 720 to 1920 x 1080" in remarks[0]


@pytest.mark.parametrize(("width", "height"), [(1440, 1080), (720, 1280), (1280, 640)])
def test_another_shape_is_refused(width: int, height: int) -> None:
    with pytest.raises(UsageError, match="another shape"):
        lens_for_picture(PROFILE, width_px=width, height_px=height, rotation_deg=90)


def test_a_longer_zoom_is_a_cut_from_the_middle() -> None:
    """At 1.5 times the zoom a point lies 1.5 times as far from the picture's middle."""
    lens, remarks = lens_for_picture(PROFILE, width_px=1280, height_px=720, zoom=1.5)
    points = some_points() * [0.4, 0.4, 1.0]
    middle = np.array([639.5, 359.5])
    np.testing.assert_allclose(lens.project(points) - middle, (LENS.project(points) - middle) * 1.5, atol=1e-9)
    assert "zoom 1 to 1.5" in remarks[0]


@pytest.mark.parametrize("zoom", [0.5, 2.5])
def test_a_zoom_that_may_be_another_lens_is_refused(zoom: float) -> None:
    with pytest.raises(UsageError, match="calibrate at this zoom"):
        lens_for_picture(replace(PROFILE, zoom=1.0), width_px=1280, height_px=720, zoom=zoom)


def test_a_missing_section_is_named(tmp_path: Path) -> None:
    path = tmp_path / "short.toml"
    path.write_text(profile_text(PROFILE).split("[quality]")[0], "utf-8")
    with pytest.raises(UsageError, match=re.escape("the section [quality] is missing")):
        read_profile(path)
