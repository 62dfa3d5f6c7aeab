"""Fail, and kill at, every single change that the commands make to files; look whether anything was lost or half-written.

Run by hand (Linux, a C compiler)::

    python tests/hostile/faults/run.py FOLDER [--case NAME] [--most 60]

Each command runs in a process forked from one in which everything is loaded. ``faults.c`` stands before the C library and counts the
calls that change a file below the case's folder; then each of them in turn is where the disk is full from then on, the process is
killed (in the middle of a write), permission is lost, or the device gives errors. Afterwards:

- the exit code is a documented one, stderr is one sentence without a traceback;
- every file under a final name is as it was before or as it is after an undisturbed run, and a result folder is wholly one of both;
- nothing temporary is left, but after a kill, and then only until the command runs again;
- the command, run again undisturbed, ends well and leaves what an undisturbed run leaves.
"""

from __future__ import annotations

import argparse
import ctypes
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from cases import CASES, FaultCase, prepared_landmarks

COUNT = 0
MODES = {"disk full": 1, "killed": 2, "permission lost": 3, "device error": 4}
LONGEST_S = 120
DOCUMENTED = {0, 2, 3, 4, 5, 6, 130}


@dataclass(frozen=True, slots=True)
class Ended:
    """How a command ended."""

    code: int
    """Negative: the signal that killed it"""
    stderr: str
    calls: tuple[str, ...] = ()


@dataclass
class Tally:
    """What came of all points of one case and mode."""

    points: int = 0
    codes: Counter[int] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)


def main(arguments: list[str]) -> int:
    """Run the cases and print a table; the exit code says whether anything was wrong."""
    parser = argparse.ArgumentParser(prog="run.py")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--case", action="append")
    parser.add_argument("--mode", action="append", choices=tuple(MODES))
    parser.add_argument("--most", type=int, default=60, help="points of a case and mode, evenly chosen")
    asked = parser.parse_args(arguments)
    asked.folder.mkdir(parents=True, exist_ok=True)
    shim = asked.folder.resolve() / "faults.so"
    if os.environ.get("LD_PRELOAD") != str(shim):
        source = Path(__file__).with_name("faults.c")
        subprocess.run(["cc", "-shared", "-fPIC", "-O1", "-o", str(shim), str(source), "-ldl"], check=True)
        os.execve(
            sys.executable,
            [sys.executable, __file__, *arguments],
            {**os.environ, "LD_PRELOAD": str(shim)},
        )
    # sub-processes of a case run undisturbed
    del os.environ["LD_PRELOAD"]
    library = ctypes.CDLL(str(shim))
    landmarks = prepared_landmarks(asked.folder.resolve() / "kept")
    worst = 0
    facts: dict[str, object] = {}
    for case in CASES:
        if asked.case and case.name not in asked.case:
            continue
        for mode in asked.mode or MODES:
            tally = swept(case, mode, asked.folder.resolve() / "work", landmarks, library, asked.most)
            codes = " ".join(f"{code}: {count}" for code, count in sorted(tally.codes.items()))
            sys.stdout.write(f"| {case.name} | {mode} | {tally.points} | {codes} | {len(tally.wrong)} |\n")
            sys.stdout.writelines(f"    {line}\n" for line in tally.wrong[:12])
            sys.stdout.flush()
            facts[f"{case.name}, {mode}"] = {"points": tally.points, "codes": tally.codes, "wrong": tally.wrong}
            worst = max(worst, len(tally.wrong))
    (asked.folder / "result.json").write_text(json.dumps(facts, indent=1), encoding="utf-8")
    return int(worst > 0)


def swept(case: FaultCase, mode: str, work: Path, landmarks: Path, library: ctypes.CDLL, most: int) -> Tally:
    """Run a case once undisturbed and once for each point of a mode."""
    base, after = work / "base", work / "after"
    here = work / "here"
    for folder in (base, after, here):
        shutil.rmtree(folder, ignore_errors=True)
    # where it will run, since records keep whole paths of recordings
    here.mkdir(parents=True)
    case.prepare(here, landmarks)
    _restore(here, base)
    whole = run(case, here, library, COUNT, 0)
    if whole.code not in (0, 4):
        return Tally(wrong=[f"undisturbed it ended with {whole.code}: {whole.stderr[-300:]}"])
    _restore(here, after)
    before_state, after_state = state_of(base), state_of(after)
    # what differs between two undisturbed runs (times, process numbers) cannot be compared byte by byte
    _restore(base, here)
    run(case, here, library, COUNT, 0)
    unsteady = {name for name, value in state_of(here).items() if after_state.get(name) != value}
    total = len(whole.calls)
    tally = Tally()
    step = max(1.0, total / most)
    for number in sorted({1 + int(index * step) for index in range(min(most, total))}):
        _restore(base, here)
        ended = run(case, here, library, MODES[mode], number)
        tally.points += 1
        tally.codes[ended.code] += 1
        where = f"{number} ({whole.calls[number - 1]}): code {ended.code}"
        wrong = list(_wrong_ending(ended, mode))
        wrong += _wrong_files(case, here, before_state, after_state, unsteady, mode)
        came_through = _rows_as(here, after_state)
        again = run(case, here, library, COUNT, 0)
        if again.code not in (0, 4) and not case.again_may_refuse(again.stderr):
            wrong.append(f"run again it ended with {again.code}: {again.stderr[-200:]}")
        elif again.code in (0, 4) and not (case.adds and came_through):
            late = state_of(here)
            differs = [
                name for name in sorted({*late, *after_state} - unsteady) if late.get(name) != after_state.get(name)
            ]
            if differs:
                wrong.append(f"run again it left other files: {differs[:4]}")
        left = _temporary(here)
        if left:
            wrong.append(f"run again it left {left[:3]}")
        tally.wrong += [f"{where}: {one}" for one in wrong]
    return tally


def run(case: FaultCase, here: Path, library: ctypes.CDLL, mode: int, number: int) -> Ended:
    """Run a case's command in a forked process with one fault and return how it ended."""
    with tempfile.TemporaryDirectory() as outside:
        told, said, heard = (Path(outside) / name for name in ("calls", "stderr", "stdout"))
        child = os.fork()
        if child == 0:
            os._exit(_in_child(case, here, library, (mode, number), (told, said, heard)))
        end, status = time.monotonic() + LONGEST_S, 0
        while time.monotonic() < end:
            done, status = os.waitpid(child, os.WNOHANG)
            if done:
                break
            time.sleep(0.01)
        else:
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
            return Ended(999, "it hung")
        calls = tuple(told.read_text(encoding="utf-8", errors="replace").splitlines()) if told.exists() else ()
        return Ended(os.waitstatus_to_exitcode(status), said.read_text(encoding="utf-8"), calls)


def _in_child(
    case: FaultCase, here: Path, library: ctypes.CDLL, fault: tuple[int, int], files: tuple[Path, Path, Path]
) -> int:
    told, said, heard = (os.open(path, os.O_WRONLY | os.O_CREAT, 0o600) for path in files)
    os.dup2(said, 2)
    os.dup2(heard, 1)
    os.chdir(here)
    library.faults_arm(str(here).encode(), fault[0], ctypes.c_long(fault[1]), told if fault[0] == COUNT else -1)
    try:
        case.command(here)
        code = 0
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else 1
    except BaseException:  # noqa: BLE001 - whatever came out of the command is what is looked for
        traceback.print_exc()
        code = 1
    sys.stdout.flush()
    sys.stderr.flush()
    return code


def _wrong_ending(ended: Ended, mode: str) -> Iterator[str]:
    if ended.code == 999:
        yield "it hung"
    if "Traceback" in ended.stderr or "Error:" in ended.stderr or "Exception ignored" in ended.stderr:
        yield f"a traceback: {' / '.join(ended.stderr.strip().splitlines()[-3:])[-300:]}"
    if mode == "killed":
        if ended.code not in (-signal.SIGKILL, 0, 4):
            yield f"ended with {ended.code} instead of by the kill"
        return
    if ended.code not in DOCUMENTED:
        yield f"exit code {ended.code}: {ended.stderr[-200:]}"
    lines = [line for line in ended.stderr.splitlines() if line.startswith("vision-rom:")]
    if ended.code not in (0, 4) and len(lines) != 1:
        yield f"{len(lines)} sentences: {ended.stderr[-300:]}"


def _wrong_files(
    case: FaultCase,
    here: Path,
    before: dict[str, str],
    after: dict[str, str],
    unsteady: set[str],
    mode: str,
) -> list[str]:
    now, wrong = state_of(here), []
    for name in sorted({*now, *before}):
        if name in unsteady or now.get(name) in (before.get(name), after.get(name)):
            continue
        wrong.append(f"{name} is neither as before nor as after")
    for folder in case.whole_folders:
        own = {name for name in {*now, *before, *after} if name.startswith(f"{folder}/") and "landmarks-" not in name}
        old = all(now.get(name) == before.get(name) for name in own - unsteady)
        new = all(now.get(name) == after.get(name) for name in own - unsteady)
        if not old and not new:
            wrong.append(f"{folder} holds files of two runs, or only a part")
    if mode == "disk full" or mode == "device error":
        left = _temporary(here)
        wrong += [f"left {left[:3]}"] if left else []
    return wrong


def _rows_as(here: Path, state: dict[str, str]) -> bool:
    """Tell whether the records hold what they hold in a state: the change that was disturbed has come through all the same."""
    now = state_of(here)
    return all(now.get(name) == value for name, value in state.items() if name.endswith(".sqlite3"))


def _temporary(here: Path) -> list[str]:
    """Hidden files and folders that only a run under way should have."""
    kept = {".lock", ".serving"}
    return [str(path.relative_to(here)) for path in here.rglob(".*") if path.name not in kept]


def state_of(folder: Path) -> dict[str, str]:
    """Return what each visible file holds, by its path; databases by their rows without times."""
    found = {}
    for path in sorted(folder.rglob("*")):
        name = str(path.relative_to(folder))
        if not path.is_file() or any(part.startswith(".") for part in Path(name).parts):
            continue
        if path.name.endswith((".sqlite3-wal", ".sqlite3-shm", ".sqlite3-journal")):
            continue
        if path.suffix == ".sqlite3":
            rows = _rows(path)
            # a database in which nothing is, is as good as none
            if rows:
                found[name] = rows
        else:
            found[name] = str(hash(path.read_bytes()))
    return found


def _rows(path: Path) -> str:
    with tempfile.TemporaryDirectory() as outside:
        # a copy, for looking at a database may change it
        for one in path.parent.glob(f"{path.name}*"):
            shutil.copy(one, outside)
        connection = sqlite3.connect(Path(outside) / path.name)
        try:
            wrong = connection.execute("PRAGMA integrity_check").fetchone()[0]
            tables = [
                row[0]
                for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")
            ]
            rows: list[object] = []
            for table in tables:
                columns = [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
                steady = [
                    one
                    for one in columns
                    if not one.endswith("_at")
                    and one not in ("at", "token_sha256", "form_token", "password", "share", "stage")
                    # how work stands is told while it goes on, by rows of its own
                    and not (table == "job" and one in ("state", "message"))
                ]
                rows.append(connection.execute(f"SELECT {', '.join(steady)} FROM {table}").fetchall())
        except sqlite3.Error as error:
            return f"damaged: {error}"
        finally:
            connection.close()
    return f"{wrong} {rows!r}" if any(rows) or wrong != "ok" else ""


def _restore(source: Path, target: Path) -> None:
    shutil.rmtree(target, ignore_errors=True)
    shutil.copytree(source, target, symlinks=True)


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
