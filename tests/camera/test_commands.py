"""``vision-rom camera`` on the example recordings, whose truth lies beside them."""

from __future__ import annotations

import json
import os
import re
from pathlib import Path
from typing import Any

import pytest

from vision_rom.camera.profile import read_profile
from vision_rom.cli.camera import camera_app
from vision_rom.errors import ClipError, NothingMeasurable, OutputError, UsageError

CALIBRATION = Path(__file__).parents[2] / "calibration"
EXAMPLES = CALIBRATION / "examples"


def run(*arguments: str | Path) -> Any:
    return camera_app([str(argument) for argument in arguments], standalone_mode=False)


def truth(name: str) -> dict[str, Any]:
    return dict(json.loads((EXAMPLES / f"{name}.truth.json").read_text("utf-8")))


@pytest.mark.slow
@pytest.mark.parametrize("name", ["board_normal", "board_wide"])
def test_an_example_board_gives_its_lens(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "phone.camera.toml"
    assert run("calibrate", EXAMPLES / f"{name}.mp4", "--out", out, "--name", "a phone", "--zoom", "1") == 0
    printed = capsys.readouterr().out
    assert "Good." in printed
    profile = read_profile(out)
    assert profile.name == "a phone"
    assert abs(profile.lens.focal_x_px / truth(name)["focal_x_px"] - 1) < 0.005
    assert [path.name for path in tmp_path.iterdir()] == ["phone.camera.toml"]
    with pytest.raises(UsageError, match="exists already"):
        run("calibrate", EXAMPLES / f"{name}.mp4", "--out", out)


def test_a_bad_board_recording_writes_no_profile(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(NothingMeasurable, match="must be repeated"):
        run("calibrate", EXAMPLES / "board_redo.mp4", "--out", tmp_path / "x.toml")
    assert "Redo, because" in capsys.readouterr().out
    assert list(tmp_path.iterdir()) == []


def test_a_square_camera_passes(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("check", EXAMPLES / "target_square.mp4") == 0
    printed = capsys.readouterr().out
    assert "Pass: every angle is read within 1 deg" in printed
    assert "22 to 36 mm" in printed


def test_a_turned_camera_fails_and_is_told_where_to_go(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("check", EXAMPLES / "target_turned.mp4") == NothingMeasurable.exit_code
    printed = capsys.readouterr().out
    assert "Fail: " in printed
    assert truth("target_turned")["turn_deg"] == 17.0
    assert "turned 17 deg to the right" in printed
    # no profile: every number of the camera's place is told with what the assumed range does to it
    assert printed.count("over the range of the focal length") >= 3
    away = re.search(r"([\d.]+) m away \(([\d.]+) to ([\d.]+) over", printed)
    assert away is not None
    distance, near, far = (float(one) for one in away.groups())
    # in proportion to the focal length: 22 and 36 mm against 27
    assert near / distance == pytest.approx(22 / 27, abs=0.03)
    assert far / distance == pytest.approx(36 / 27, abs=0.03)


def test_a_wide_lens_needs_its_profile(capsys: pytest.CaptureFixture[str]) -> None:
    """The stored profile was calibrated from the example of the wide board."""
    clip, profile = EXAMPLES / "target_wide.mp4", CALIBRATION / "profiles" / "example_wide.camera.toml"
    run("check", clip)
    without = capsys.readouterr().out
    assert "With the target left" not in without  # not even then is 1 deg reached
    run("check", clip, "--camera", profile)
    with_profile = capsys.readouterr().out
    assert "With the target left in the patient's recording the largest error is 0." in with_profile
    assert "tipped 9" in with_profile


def test_a_profile_for_another_picture_is_refused(tmp_path: Path) -> None:
    stored = CALIBRATION / "profiles" / "example_wide.camera.toml"
    other = tmp_path / "other.toml"
    other.write_text(stored.read_text("utf-8").replace("height_px = 720", "height_px = 960"), "utf-8")
    with pytest.raises(UsageError, match="another shape"):
        run("check", EXAMPLES / "target_wide.mp4", "--camera", other)
    with pytest.raises(UsageError, match="not both"):
        run("check", EXAMPLES / "target_wide.mp4", "--camera", stored, "--equivalent-mm", "26")


def test_a_recording_without_a_sheet_is_named(sample_clips: Path) -> None:
    with pytest.raises(NothingMeasurable, match="angle target was found in none of"):
        run("check", EXAMPLES / "board_redo.mp4")
    with pytest.raises(NothingMeasurable, match="calibration board was found in none of"):
        run("calibrate", sample_clips / "pose_1.mp4")
    with pytest.raises(ClipError):
        run("check", EXAMPLES / "nothing_there.mp4")


def test_sheets_are_written_for_every_paper(tmp_path: Path) -> None:
    assert run("sheets", tmp_path, "--paper", "letter") == 0
    assert run("sheets", tmp_path, "--paper", "a3") == 0
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "angle_target_a3.pdf",
        "angle_target_letter.pdf",
        "board_letter.pdf",
    ]
    with pytest.raises(UsageError, match="No paper is called"):
        run("sheets", tmp_path, "--paper", "b5")
    with pytest.raises(UsageError, match="does not exist"):
        run("sheets", tmp_path / "none")


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_may_not_be_written_is_named(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    with pytest.raises(OutputError, match="was not written"):
        run("sheets", tmp_path)


def test_the_committed_sheets_are_those_the_command_writes(tmp_path: Path) -> None:
    for paper in ("a4", "letter", "a3", "tabloid"):
        run("sheets", tmp_path, "--paper", paper)
    committed = {path.name: path.read_bytes() for path in (CALIBRATION / "sheets").glob("*.pdf")}
    assert committed == {path.name: path.read_bytes() for path in tmp_path.iterdir()}


def test_examples_are_small() -> None:
    sizes = {path.name: path.stat().st_size for path in EXAMPLES.glob("*.mp4")}
    assert len(sizes) == 6
    assert max(sizes.values()) < 600_000
