"""What the machine refuses at any moment: one sentence, a documented exit code, nothing lost."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from vision_rom.cli import app as command_line
from vision_rom.errors import APT_LINE
from vision_rom.records import Patient, Records
from vision_rom.records import database as database_file
from vision_rom.records.database import FILE_NAME


def ended(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, str]:
    """Run a command in this process; its exit code and the one sentence on stderr."""
    code = command_line.run([str(word) for word in words])
    said = capsys.readouterr().err.strip()
    assert said.startswith("vision-rom: "), said
    assert "\n" not in said
    return code, said


@pytest.mark.parametrize("words", [("--version",), ("sample-size", "--sd", "4", "--half-width", "2")])
def test_a_result_that_does_not_fit_where_it_is_printed(words: tuple[str, ...]) -> None:
    command = [sys.executable, "-m", "vision_rom", *words]
    with open("/dev/full", "w") as full:
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert done.returncode == 5
    assert done.stderr.startswith("vision-rom: ")
    assert "No space left on device" in done.stderr
    assert done.stderr.count("\n") == 1


def test_a_missing_system_library_is_named_with_the_line_that_mends_it(tmp_path: Path) -> None:
    """As on a bare Debian, where OpenCV is installed but nothing that it loads."""
    (tmp_path / "cv2.py").write_text(
        "raise ImportError('libxcb.so.1: cannot open shared object file: No such file or directory')"
    )
    (tmp_path / "a.mp4").write_bytes(b"\x00\x00\x00\x18ftypmp42" + bytes(200) + b"moov" + bytes(200))
    path = os.pathsep.join([str(tmp_path), *filter(None, [os.environ.get("PYTHONPATH")])])
    command = [sys.executable, "-m", "vision_rom", "measure", str(tmp_path / "a.mp4"), "--out", str(tmp_path / "out")]
    done = subprocess.run(command, capture_output=True, text=True, check=False, env={**os.environ, "PYTHONPATH": path})
    assert done.returncode == 6, done.stderr
    assert "libxcb.so.1" in done.stderr
    assert APT_LINE in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (OSError(28, "No space left on device", "/x/y"), "'/x/y' cannot be used: No space left"),
        (PermissionError(13, "Permission denied"), "could not be read or written: Permission denied"),
        (MemoryError(), "memory of this machine is not enough"),
        (sqlite3.OperationalError("disk I/O error"), "The records cannot be used: disk I/O error"),
    ],
)
def test_whatever_the_machine_refuses_is_one_sentence(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], error: Exception, words: str
) -> None:
    def refused(**_: object) -> None:
        raise error

    monkeypatch.setattr(command_line, "app", refused)
    code, said = ended(capsys)
    assert code == 5
    assert words in said


@pytest.fixture
def records(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(database_file, "BUSY_S", 0.1)
    with Records(tmp_path / "records") as kept:
        kept.add_patient(Patient("p-1"))
    return tmp_path / "records"


def test_records_that_another_program_holds(records: Path, capsys: pytest.CaptureFixture[str]) -> None:
    holder = sqlite3.connect(records / FILE_NAME, isolation_level=None)
    holder.execute("BEGIN EXCLUSIVE")
    try:
        code, said = ended(capsys, "patient", "add", "p-2", "--records", records)
    finally:
        holder.close()
    assert (code, "another program" in said) == (5, True)
    assert command_line.run(["patient", "add", "p-2", "--records", str(records)]) == 0


def test_records_that_another_program_holds_while_a_patient_is_deleted(
    records: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The rows are gone, and the user is told that a reader keeps what was deleted on the disk for a while."""
    reader = sqlite3.connect(records / FILE_NAME, isolation_level=None)
    reader.execute("BEGIN")
    reader.execute("SELECT * FROM patient").fetchall()
    try:
        code, said = ended(capsys, "patient", "delete", "p-1", "--yes", "--records", records)
    finally:
        reader.close()
    assert (code, "another program" in said) == (5, True)
    with Records(records) as kept:
        assert kept.patients() == ()
    assert b"p-1" not in b"".join(path.read_bytes() for path in records.iterdir())


def test_a_port_that_another_server_has(records: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("uvicorn")
    import socket

    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        code, said = ended(capsys, "serve", "--records", records, "--port", port)
    assert code == 2
    assert str(port) in said
