from __future__ import annotations

import os
import resource
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from vision_rom import whole_files
from vision_rom.errors import OutputError
from vision_rom.report import folder as result_folder
from vision_rom.report.folder import staged
from vision_rom.whole_files import PREFIX, exchange, whole_file, whole_path

OLD = {
    "reading.json": "old",
    "angles.csv": "old",
    "peak_left.jpg": "old",
    "landmarks-1.npz": "kept",
    "notes.txt": "mine",
}


WATCHER = """
import os, sys
looks = mixed = 0
while not os.path.exists(sys.argv[2]):
    here = os.open(sys.argv[1], os.O_RDONLY)
    texts = set()
    for name in ("reading.json", "angles.csv"):
        try:
            file = os.open(name, os.O_RDONLY, dir_fd=here)
            texts.add(os.read(file, 9))
            os.close(file)
        except FileNotFoundError:
            pass  # the old folder is being removed, under another name by now
    os.close(here)
    looks += 1
    mixed += len(texts) > 1
print(looks, mixed)
"""


def held(folder: Path) -> dict[str, str]:
    return {str(path.relative_to(folder)): path.read_text() for path in sorted(folder.rglob("*")) if path.is_file()}


def filled(folder: Path, files: dict[str, str]) -> Path:
    folder.mkdir(parents=True)
    for name, text in files.items():
        (folder / name).write_text(text)
    return folder


def in_child(work: object, *, limit_bytes: int | None = None) -> int:
    """Run something in a forked process, with a limit on the size of files, and return how it ended."""
    child = os.fork()
    if child == 0:
        code = 1
        try:
            if limit_bytes is not None:
                resource.setrlimit(resource.RLIMIT_FSIZE, (limit_bytes, limit_bytes))
            work()  # type: ignore[operator]
            code = 0
        except OutputError:
            code = 5
        except OSError:
            code = 6
        finally:
            os._exit(code)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


# --- files --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("limit_bytes", [0, 1, 999])
def test_a_file_for_which_there_is_no_room_is_not_there_and_the_old_one_stays(tmp_path: Path, limit_bytes: int) -> None:
    path = tmp_path / "a.txt"
    path.write_text("old")

    def work() -> None:
        with whole_file(path) as file:
            file.write(b"x" * 1000)

    assert in_child(work, limit_bytes=limit_bytes) == 6
    assert held(tmp_path) == {"a.txt": "old"}


def test_a_leftover_of_a_killed_process_goes_with_the_next_writing(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"

    def work() -> None:
        with whole_file(path) as file:
            file.write(b"half")
            file.flush()
            os.kill(os.getpid(), signal.SIGKILL)

    assert in_child(work) == -signal.SIGKILL
    assert [one.name[: len(PREFIX)] for one in tmp_path.iterdir()] == [PREFIX]
    with whole_file(path) as file:
        file.write(b"whole")
    assert held(tmp_path) == {"a.txt": "whole"}


def test_what_another_process_is_writing_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    with whole_file(path) as first:
        first.write(b"first")
        with whole_file(path) as second:
            second.write(b"second")
        assert path.read_bytes() == b"second"
    assert held(tmp_path) == {"a.txt": "first"}


def test_a_temporary_file_has_the_suffix_that_writers_go_by(tmp_path: Path) -> None:
    with whole_path(tmp_path / ("n" * 250 + ".c3d")) as temporary:
        assert temporary.suffix == ".c3d"
        temporary.write_text("x")


def test_a_file_is_as_readable_as_any_other(tmp_path: Path) -> None:
    with whole_file(tmp_path / "a.txt") as file:
        file.write(b"x")
    (tmp_path / "b.txt").write_text("x")
    assert (tmp_path / "a.txt").stat().st_mode == (tmp_path / "b.txt").stat().st_mode


# --- result folders -----------------------------------------------------------------------------------------------


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="folders are exchanged on Linux")
def test_a_folder_is_exchanged_with_its_other_files_and_none_of_the_old_results(tmp_path: Path) -> None:
    folder = filled(tmp_path / "r", OLD)
    filled(folder / "deeper", {"more.txt": "mine too"})
    (folder / "reading.json").chmod(0o600)
    folder.chmod(0o750)
    with staged(folder) as stage:
        (stage / "reading.json").write_text("new")
        (stage / "angles.csv").write_text("new")
    assert held(folder) == {
        "reading.json": "new",
        "angles.csv": "new",
        "landmarks-1.npz": "kept",
        "notes.txt": "mine",
        "deeper/more.txt": "mine too",
    }
    assert folder.stat().st_mode & 0o777 == 0o750
    assert [one.name for one in tmp_path.iterdir()] == ["r"]


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="folders are exchanged on Linux")
def test_nobody_meets_the_files_of_two_measurements(tmp_path: Path) -> None:
    """Another process looks all the time while a folder is replaced: what it sees is wholly the one or the other."""
    folder = filled(tmp_path / "r", {"reading.json": "0", "angles.csv": "0"})
    watcher = subprocess.Popen(
        [sys.executable, "-S", "-c", WATCHER, str(folder), str(tmp_path / "end")], stdout=subprocess.PIPE, text=True
    )
    deadline_s = time.monotonic() + 0.8
    for number in range(1, 10_000):
        with staged(folder) as stage:
            (stage / "angles.csv").write_text(str(number))
            (stage / "reading.json").write_text(str(number))
        if time.monotonic() > deadline_s:
            break
    (tmp_path / "end").touch()
    looks, mixed = map(int, watcher.communicate(timeout=20)[0].split())
    assert looks > 20
    assert mixed == 0


@pytest.mark.parametrize("moment", ["half written", "before the exchange"])
def test_a_kill_leaves_the_earlier_results_and_the_next_run_completes(
    tmp_path: Path, moment: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = filled(tmp_path / "r", OLD)

    def die(*_: object) -> bool:
        os.kill(os.getpid(), signal.SIGKILL)
        return False

    def work() -> None:
        monkeypatch.setattr(result_folder, "exchange", die)
        with staged(folder) as stage:
            (stage / "angles.csv").write_text("ne")
            if moment == "half written":
                die()
            (stage / "reading.json").write_text("new")

    assert in_child(work) == -signal.SIGKILL
    assert held(folder) == OLD
    with staged(folder) as stage:
        (stage / "reading.json").write_text("new")
    assert held(folder) == {"reading.json": "new", "landmarks-1.npz": "kept", "notes.txt": "mine"}
    assert [one.name for one in tmp_path.iterdir()] == ["r"]


@pytest.mark.parametrize("limit_bytes", [0, 5])
def test_no_room_for_a_result_leaves_the_earlier_ones(tmp_path: Path, limit_bytes: int) -> None:
    folder = filled(tmp_path / "r", OLD)

    def work() -> None:
        with staged(folder) as stage:
            (stage / "reading.json").write_text("new results")

    assert in_child(work, limit_bytes=limit_bytes) == 5
    assert held(folder) == OLD
    assert [one.name for one in tmp_path.iterdir()] == ["r"]


def test_where_folders_cannot_be_exchanged_files_replace_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(result_folder, "exchange", lambda one, other: False)
    folder = filled(tmp_path / "r", OLD)
    with staged(folder) as stage:
        (stage / "reading.json").write_text("new")
    assert held(folder) == {"reading.json": "new", "landmarks-1.npz": "kept", "notes.txt": "mine"}


def test_a_link_to_a_folder_stays_a_link(tmp_path: Path) -> None:
    filled(tmp_path / "far" / "r", OLD)
    link = tmp_path / "near"
    link.symlink_to(tmp_path / "far" / "r")
    with staged(link) as stage:
        (stage / "reading.json").write_text("new")
    assert link.is_symlink()
    assert (tmp_path / "far" / "r" / "reading.json").read_text() == "new"


def test_two_at_once_into_one_new_folder_leave_one_of_the_two(tmp_path: Path) -> None:
    folder = tmp_path / "r"
    with staged(folder) as first:
        (first / "reading.json").write_text("first")
        (first / "curve.png").write_text("first")
        with staged(folder) as second:
            (second / "reading.json").write_text("second")
            (second / "peak_left.jpg").write_text("second")
    assert held(folder) == {"reading.json": "first", "curve.png": "first"}


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody else")
def test_a_folder_beside_which_nothing_may_be_made_is_filled_from_inside(tmp_path: Path) -> None:
    folder = filled(tmp_path / "of root" / "r", {"reading.json": "old", "notes.txt": "mine"})
    for path in (tmp_path, *tmp_path.parents[:3]):
        path.chmod(path.stat().st_mode | 0o055)
    for path in (folder, *folder.iterdir()):
        os.chown(path, 65534, 65534)

    def work() -> None:
        os.setuid(65534)
        with staged(folder) as stage:
            (stage / "reading.json").write_text("new")

    assert in_child(work) == 0
    assert held(folder) == {"reading.json": "new", "notes.txt": "mine"}


def test_exchanging_says_where_it_cannot(tmp_path: Path) -> None:
    assert not exchange(tmp_path / "none", tmp_path / "neither")
    assert whole_files.PREFIX.startswith(".")
