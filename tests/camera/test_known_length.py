"""A length that the user knows: what may be written, and the scale that follows by plain division."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from vision_rom.camera.known_length import KnownLength, check_in_picture, parse_known_length, scale_of
from vision_rom.camera.lens import Lens
from vision_rom.cli.app import run
from vision_rom.errors import UsageError
from vision_rom.handover import Landmark

WIDE = Lens(600.0, 600.0, 634.0, 366.0, 1280, 720, (-0.22, 0.05, 0.0004, 0.0003))


def test_a_part_of_the_body_and_two_points_are_read() -> None:
    assert parse_known_length("UPPER_ARM=31") == KnownLength(31.0, "upper_arm")
    assert parse_known_length(" upper-arm = 31.5 ") == KnownLength(31.5, "upper_arm")
    assert parse_known_length("412,300,412.5,880=100") == KnownLength(100.0, None, ((412.0, 300.0), (412.5, 880.0)))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("31", "such as UPPER_ARM=31"),
        ("UPPER_ARM=", "such as UPPER_ARM=31"),
        ("UPPER_ARM=long", "such as UPPER_ARM=31"),
        ("UPPER_ARM=nan", "such as UPPER_ARM=31"),
        ("THIGH=40", "such as UPPER_ARM=31"),
        ("1,2,3=40", "such as UPPER_ARM=31"),
        ("UPPER_ARM=310", "5 to 250 cm, not 310"),
        ("UPPER_ARM=-31", "5 to 250 cm, not -31"),
        ("5,5,9,9=40", "less than 20 px apart"),
    ],
)
def test_anything_else_is_one_sentence_and_exit_code_2(
    text: str, said: str, sample_clips: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ["measure", str(sample_clips / "pose_1.mp4"), "--out", str(tmp_path / "out"), "--known-length", text]
    assert run(arguments) == 2
    told = capsys.readouterr().err
    assert said in told
    assert told.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_a_point_outside_the_picture_is_named() -> None:
    known = parse_known_length("10,10,10,700=100")
    check_in_picture(known, width_px=480, height_px=701)
    with pytest.raises(UsageError, match="10,700 of --known-length lies outside the picture of 480 x 640 px"):
        check_in_picture(known, width_px=480, height_px=640)


def body() -> np.ndarray:
    px = np.full((20, 33, 3), np.nan)
    for side, sign in (("left", 1), ("right", -1)):
        px[:, Landmark.of(side, "shoulder"), :2] = (300 + sign * 40, 100)
        px[:, Landmark.of(side, "hip"), :2] = (300 + sign * 25, 260)
        px[:, Landmark.of(side, "elbow"), :2] = (300 + sign * 40, 200)
        px[:, Landmark.of(side, "wrist"), :2] = (300 + sign * 40, 280)
    # the measured arm leans towards the camera and looks short
    px[:, Landmark.RIGHT_ELBOW, :2] = (260, 160)
    return px


@pytest.mark.parametrize(("text", "mm_per_px"), [("UPPER_ARM=30", 3.0), ("SPINE=48", 3.0), ("10,10,10,210=50", 2.5)])
def test_the_scale_is_the_length_over_its_pixels(text: str, mm_per_px: float) -> None:
    scale = scale_of(parse_known_length(text), body(), None)
    assert scale is not None
    assert 1000 * scale.m_per_px == pytest.approx(mm_per_px)


def test_each_doubt_of_an_upper_arm_adds_in_squares_and_a_spine_needs_no_depth() -> None:
    arm, spine = (scale_of(parse_known_length(one), body(), None) for one in ("UPPER_ARM=30", "SPINE=30"))
    assert arm is not None
    assert spine is not None
    assert arm.relative_sd == pytest.approx(np.sqrt((1 / 30) ** 2 + 0.06**2 + 0.05**2))
    assert spine.relative_sd == pytest.approx(np.sqrt((1 / 30) ** 2 + 0.06**2))


def test_a_rod_in_a_bent_corner_is_straightened_first() -> None:
    """A metre upright at 2 m: 300 px through a lens of 600 px without distortion, fewer as filmed."""
    ends = WIDE.project(np.array([[1.2, -0.6, 2.0], [1.2, 0.4, 2.0]]))
    known = KnownLength(100.0, None, ((ends[0, 0], ends[0, 1]), (ends[1, 0], ends[1, 1])))
    straight, bent = scale_of(known, body(), WIDE), scale_of(known, body(), None)
    assert straight is not None
    assert bent is not None
    assert straight.m_per_px == pytest.approx(1 / 300, rel=1e-4)
    assert bent.m_per_px > 1.03 / 300


def test_a_part_that_was_not_seen_gives_no_scale() -> None:
    assert scale_of(KnownLength(30.0, "upper_arm"), np.full((5, 33, 3), np.nan), None) is None
