"""The result folder appears whole, or not at all."""

from __future__ import annotations

import errno
from pathlib import Path

import pytest

from vision_rom.errors import OutputError
from vision_rom.report.folder import default_folder, staged


def test_folder_lies_beside_the_clip() -> None:
    assert default_folder(Path("/clips/Lena 3.MOV")) == Path("/clips/Lena 3.reading")


def test_new_folder_appears_at_the_end(tmp_path: Path) -> None:
    target = tmp_path / "raise.reading"
    with staged(target) as stage:
        (stage / "reading.json").write_text("{}")
        assert not target.exists()
    assert [path.name for path in target.iterdir()] == ["reading.json"]
    assert [path.name for path in tmp_path.iterdir()] == ["raise.reading"]


def test_interruption_leaves_nothing(tmp_path: Path) -> None:
    def interrupted() -> None:
        with staged(tmp_path / "raise.reading") as stage:
            (stage / "angles.csv").write_text("half")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert list(tmp_path.iterdir()) == []


def test_existing_folder_keeps_what_is_not_ours(tmp_path: Path) -> None:
    target = tmp_path / "raise.reading"
    target.mkdir()
    (target / "letter.txt").write_text("mine")
    (target / "peak_left.jpg").write_bytes(b"of an earlier run")
    (target / "reading.json").write_text("old")
    with staged(target) as stage:
        (stage / "reading.json").write_text("new")
    assert (target / "letter.txt").read_text() == "mine"
    assert (target / "reading.json").read_text() == "new"
    assert not (target / "peak_left.jpg").exists()


def test_failure_keeps_the_earlier_result(tmp_path: Path) -> None:
    target = tmp_path / "raise.reading"
    target.mkdir()
    (target / "reading.json").write_text("old")

    def full_disk() -> None:
        with staged(target):
            raise OSError(errno.ENOSPC, "No space left on device")

    with pytest.raises(OutputError, match="No space left on device"):
        full_disk()
    assert (target / "reading.json").read_text() == "old"


def test_a_file_in_the_way_is_refused(tmp_path: Path) -> None:
    target = tmp_path / "raise.reading"
    target.write_text("a file")

    def write() -> None:
        with staged(target) as stage:
            (stage / "reading.json").write_text("{}")

    with pytest.raises(OutputError, match="is a file"):
        write()
    assert target.read_text() == "a file"
