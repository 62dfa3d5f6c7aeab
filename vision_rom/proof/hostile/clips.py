"""Read thousands of broken recordings to their end in limited processes, and count what happened. Run by hand.

    python -m vision_rom.proof.hostile.clips --out FOLDER

writes ``clips.jsonl`` (a line a file) and ``clips.json`` (the figures) and keeps in ``failed/`` whatever hung, grew, crashed, raised
something other than :class:`~vision_rom.errors.ClipError`, or gave fewer pictures than went in without a remark.

A process reads many files one after the other under a limit of its address space. One that says nothing for 30 s on a file is ended,
and the next goes on behind that file.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import selectors
import subprocess
import sys
import tempfile
import time
from collections import Counter
from dataclasses import asdict, dataclass
from itertools import islice
from pathlib import Path

from vision_rom.clip import open_clip
from vision_rom.clip.sound import loudness_of
from vision_rom.errors import ClipError
from vision_rom.proof.hostile.containers import Broken, broken_files

HANG_S = 30.0
MOST_GROWTH_MB = 1024
BAD = ("hang", "killed", "traceback", "growth", "silent")


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one file."""

    number: int
    name: str
    end: str
    """``read``, the name of a ClipError, or one of :data:`BAD`"""
    seconds: float
    pictures: int = 0
    expected: int | None = None
    grown_mb: float = 0.0
    said: str = ""


def outcome_of(number: int, broken: Broken, path: Path) -> Outcome:
    """Read one file to its end, pictures and sound."""
    path.write_bytes(broken.content)
    started, before = time.monotonic(), _memory_mb("VmRSS")
    Path("/proc/self/clear_refs").write_text("5", encoding="ascii")  # the peak counts anew from here
    pictures, said = 0, ""
    try:
        with open_clip(path, wanted_rate_hz=None) as reader:
            for _ in reader:
                pictures += 1
        clip = reader.clip()
        said = " | ".join(clip.remarks)
        loudness_of(path)
        told = bool(clip.remarks)
        end = "read" if told or broken.pictures is None or pictures >= broken.pictures else "silent"
    except ClipError as error:
        end, said = type(error).__name__, str(error)
    except Exception as error:  # noqa: BLE001 - this is what is looked for
        import traceback

        end = "traceback"
        said = f"{type(error).__name__}: {error} at {traceback.extract_tb(error.__traceback__)[-1].name}"
    grown = _memory_mb("VmHWM") - before
    end = "growth" if grown > MOST_GROWTH_MB else end
    return Outcome(
        number, broken.name, end, round(time.monotonic() - started, 3), pictures, broken.pictures, round(grown, 1), said
    )


def _memory_mb(what: str) -> float:
    lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    return int(next(one for one in lines if one.startswith(what)).split()[1]) / 1024


def _work(first: int, last: int, seed: int) -> None:
    """In the limited process: a line for each file on standard output."""
    ending = {"matroska": "mkv"}
    size_now = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0]) * resource.getpagesize()
    limited = False
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as folder:
        for number, broken in enumerate(islice(broken_files(seed), first, last), first):
            if not limited:
                # what making the files takes is not what reading them takes
                limited = True
                limit = size_now + 2 * MOST_GROWTH_MB * 2**20
                resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
            path = Path(folder) / f"clip.{ending.get(broken.ending, broken.ending)}"
            print(json.dumps(asdict(outcome_of(number, broken, path))), flush=True)


def _kept(out: Path, outcome: Outcome, seed: int) -> None:
    broken = next(islice(broken_files(seed), outcome.number, None))
    folder = out / "failed"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{outcome.end}-{outcome.number}.{broken.ending}").write_bytes(broken.content)


def _supervised(first: int, last: int, seed: int, names: list[str]) -> list[Outcome]:
    """Run one process from a file on; return what it got done, and the hang or death that ended it."""
    command = [
        sys.executable,
        "-m",
        "vision_rom.proof.hostile.clips",
        "--work",
        str(first),
        str(last),
        "--seed",
        str(seed),
    ]
    done: list[Outcome] = []
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) as process:
        assert process.stdout is not None
        os.set_blocking(process.stdout.fileno(), False)
        ready = selectors.DefaultSelector()
        ready.register(process.stdout, selectors.EVENT_READ)
        rest, latest, allowed_s = b"", time.monotonic(), HANG_S + 60.0  # the first line waits for imports and bases
        while True:
            if ready.select(timeout=1.0):
                piece = os.read(process.stdout.fileno(), 1 << 16)
                if not piece:
                    break
                *lines, rest = (rest + piece).split(b"\n")
                done += [Outcome(**json.loads(line)) for line in lines]
                latest, allowed_s = time.monotonic(), HANG_S
            elif time.monotonic() - latest > allowed_s:
                process.kill()
                break
        code = process.wait()
    place = first + len(done)
    if place < last and place < len(names):
        end = "hang" if time.monotonic() - latest > HANG_S else "killed"
        done.append(Outcome(place, names[place], end, round(time.monotonic() - latest, 1), said=f"exit code {code}"))
    return done


def main() -> None:
    """Read all broken files, or in the limited process some of them."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--out", type=Path)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--at-once", type=int, default=1000, help="files that one process reads")
    asked.add_argument("--work", type=int, nargs=2)
    options = asked.parse_args()
    if options.work:
        _work(options.work[0], options.work[1], options.seed)
        return
    out: Path = options.out
    out.mkdir(parents=True, exist_ok=True)
    names = [one.name for one in broken_files(options.seed)]
    started = time.monotonic()
    outcomes: list[Outcome] = []
    with (out / "clips.jsonl").open("w", encoding="utf-8") as file:
        while len(outcomes) < len(names):
            first = len(outcomes)
            done = _supervised(first, min(first + options.at_once, len(names)), options.seed, names)
            if not done:
                raise RuntimeError(f"the process that should begin with file {first} said nothing at all")
            outcomes += done
            file.writelines(json.dumps(asdict(one)) + "\n" for one in done)
            file.flush()
            print(f"{len(outcomes)} of {len(names)}", file=sys.stderr)
    kept: Counter[str] = Counter()
    for one in outcomes:
        kept[one.end] += 1
        if one.end in BAD and kept[one.end] <= 20:
            _kept(out, one, options.seed)
    result = {
        "files": len(outcomes),
        "seed": options.seed,
        "minutes": round((time.monotonic() - started) / 60, 1),
        "ends": dict(sorted(Counter(one.end for one in outcomes).items())),
        "longest_s": max(one.seconds for one in outcomes),
        "most_grown_mb": max(one.grown_mb for one in outcomes),
    }
    (out / "clips.json").write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
    print(json.dumps(result, indent=1))


if __name__ == "__main__":
    main()
