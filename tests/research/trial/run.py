"""Kill a run over some five hundred recordings ten times, and compare its tables with those of undisturbed runs.

    python tests/research/trial/run.py FOLDER

cuts the sample clips into short pieces at a small size (ffmpeg), runs ``vision-rom batch`` over them with one, two and four
workers, then once more while its first process is killed by SIGKILL ten times and started again, and writes what it found
to ``tests/research/trial/result.json`` and ``tests/research/trial/memory.png``. It takes about an hour on two cores.
"""

from __future__ import annotations

import csv
import hashlib
import json
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Self

HERE = Path(__file__).resolve().parent
SAMPLES = HERE.parents[2] / "sample_clips"
PIECES = 500
PIECE_S = 1.6
KILLS = 10
RATE_HZ = "8"


def main(folder: Path) -> None:
    """Make the recordings, make the runs, write what came of them."""
    manifest = make_recordings(folder / "clips")
    facts = {"recordings": sum(1 for _ in manifest.open()) - 1, "runs": {}}
    for workers in (2, 1, 4):
        facts["runs"][f"undisturbed_{workers}"] = undisturbed(manifest, folder / f"run_{workers}", workers)
    facts["runs"]["killed"] = killed(manifest, folder / "run_killed")
    first = digests(folder / "run_2")
    facts["files_compared"] = len(first)
    facts["equal_bytes"] = {name: digests(folder / f"run_{name}") == first for name in ("1", "4", "killed")}
    facts["tables_sha256"] = {name: digest for name, digest in first.items() if "/" not in name}
    plot(folder, ("run_1", "run_2", "run_4", "run_killed"))
    (HERE / "result.json").write_text(json.dumps(facts, indent=2) + "\n")
    print(json.dumps(facts, indent=2))


def make_recordings(folder: Path) -> Path:
    """Cut the sample clips: every piece begins elsewhere; whole ones and unreadable files are among them."""
    manifest = folder / "list.csv"
    if manifest.exists():
        return manifest
    folder.mkdir(parents=True, exist_ok=True)
    sources = sorted(SAMPLES.glob("*.mp4"))
    rows = []
    for number in range(PIECES):
        source = sources[number % len(sources)]
        step = (number // len(sources)) * 0.04
        begin = 1.0 + step % (length_s(source) - PIECE_S - 1.2)
        rows.append(cut(source, folder / f"piece_{number:03d}.mp4", begin, PIECE_S, number))
    rows += [cut(source, folder / f"whole_{source.stem}.mp4", 0.0, 60.0, 900 + i) for i, source in enumerate(sources)]
    (folder / "no_recording.mp4").write_bytes(b"these bytes are no recording")
    (folder / "empty.mp4").write_bytes(b"")
    rows += [
        {"clip": name, "subject": "x", "visit": "1", "site": "north"}
        for name in ("no_recording.mp4", "empty.mp4", "missing.mp4")
    ]
    with manifest.open("w", newline="") as file:
        writer = csv.DictWriter(file, ["clip", "subject", "visit", "site"])
        writer.writeheader()
        writer.writerows(rows)
    return manifest


def length_s(clip: Path) -> float:
    """Return the length of a recording."""
    command = ["ffprobe", "-v", "error", "-show_entries", "format=duration", "-of", "csv=p=0", str(clip)]
    return float(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


def cut(source: Path, target: Path, begin_s: float, seconds: float, number: int) -> dict[str, str]:
    """Write one piece, upright and 300 pixels wide, and return its row of the manifest."""
    command = [
        "ffmpeg",
        "-nostdin",
        "-v",
        "error",
        "-y",
        "-ss",
        f"{begin_s:.3f}",
        "-i",
        str(source),
        "-t",
        f"{seconds}",
    ]
    command += ["-vf", "scale=300:-2", "-an", "-c:v", "libx264", "-preset", "veryfast", "-threads", "1", str(target)]
    subprocess.run(command, check=True)
    return {
        "clip": target.name,
        "subject": f"p{number % 40:02d}",
        "visit": str(number % 3 + 1),
        "site": "south, ward 2",
    }


def command(manifest: Path, run: Path, workers: int) -> list[str]:
    """Return the command of one run."""
    return [
        sys.executable,
        "-m",
        "vision_rom",
        "batch",
        str(manifest),
        "--out",
        str(run),
        "--workers",
        str(workers),
        "--rate",
        RATE_HZ,
    ]


def undisturbed(manifest: Path, run: Path, workers: int) -> dict[str, object]:
    """Run to the end and return what it took."""
    begun = time.monotonic()
    with Memory(run) as memory:
        process = subprocess.Popen(command(manifest, run, workers))
        memory.watch(process)
    return {
        "exit_code": process.returncode,
        "seconds": round(time.monotonic() - begun),
        **figures(run),
        **memory.figures(),
    }


def killed(manifest: Path, run: Path) -> dict[str, object]:
    """Run, kill the first process ten times at drawn moments, and finish."""
    draw = random.Random(7)
    total = sum(1 for _ in manifest.open()) - 1
    begun, found = time.monotonic(), []
    with Memory(run) as memory:
        for kill in range(KILLS):
            process = subprocess.Popen(command(manifest, run, 2))
            goal = done(run) + draw.randint(5, max(total // (KILLS + 1), 6))
            while done(run) < goal and process.poll() is None:
                memory.sample()
                time.sleep(0.1)
            time.sleep(draw.uniform(0.0, 1.0))
            assert process.poll() is None, "the run was over before it could be killed"
            process.send_signal(signal.SIGKILL)
            process.wait()
            found.append(done(run))
            print(f"kill {kill + 1} after {found[-1]} recordings", flush=True)
        before = stamps(run)
        process = subprocess.Popen(command(manifest, run, 2))
        memory.watch(process)
    kept = sum(stamps(run).get(name) == stamp for name, stamp in before.items())
    return {
        "exit_code": process.returncode,
        "seconds": round(time.monotonic() - begun),
        "done_at_each_kill": found,
        "parts_before_last_start": len(before),
        "of_these_untouched_by_it": kept,
        "logged_as_finished": sum(1 for _ in (run / "log.jsonl").open()),
        **memory.figures(),
    }


def done(run: Path) -> int:
    """Return how many recordings have their part."""
    return sum(1 for _ in (run / "parts").glob("*.json")) if (run / "parts").is_dir() else 0


def stamps(run: Path) -> dict[str, tuple[int, int]]:
    """Return inode and time of change of every part: both stay where a part is left alone."""
    return {one.name: (one.stat().st_ino, one.stat().st_mtime_ns) for one in (run / "parts").glob("*.json")}


def figures(run: Path) -> dict[str, object]:
    """Return sums over the log of a run."""
    rows = [json.loads(line) for line in (run / "log.jsonl").open()]
    clip_s, core_s = sum(r["clip_seconds"] for r in rows), sum(r["cpu_seconds"] for r in rows)
    return {
        "clip_seconds": round(clip_s),
        "core_seconds": round(core_s),
        "clip_seconds_a_core_second": round(clip_s / core_s, 3),
        "worker_processes": len({r["process"] for r in rows}),
        "largest_worker_mb": round(max(r["memory_mb"] for r in rows)),
    }


class Memory:
    """Resident memory of the processes that work in a run folder, over time."""

    def __init__(self, run: Path) -> None:
        self.run, self.rows, self.begun = run, [], time.monotonic()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        self.run.mkdir(parents=True, exist_ok=True)
        self.run.with_name(f"{self.run.name}.memory.csv").write_text(
            "".join(f"{t:.1f},{mb:.0f}\n" for t, mb in self.rows)
        )

    def watch(self, process: subprocess.Popen) -> None:
        """Sample until the process ends."""
        while process.poll() is None:
            self.sample()
            time.sleep(1.0)

    def sample(self) -> None:
        """Add up this process's descendants."""
        import psutil

        total = 0
        for one in psutil.Process().children(recursive=True):
            try:
                total += one.memory_info().rss
            except psutil.NoSuchProcess:
                continue
        now = time.monotonic() - self.begun
        if not self.rows or now - self.rows[-1][0] >= 1.0:
            self.rows.append((now, total / 2**20))

    def figures(self) -> dict[str, object]:
        """Return the largest sum."""
        return {"largest_sum_mb": round(max((mb for _, mb in self.rows), default=0))}


def digests(run: Path) -> dict[str, str]:
    """Return the checksum of every file that must not differ: tables, frames, dictionary, manifest, what the run is made of."""
    files = [one for pattern in ("*.csv", "*.parquet", "run.json", "frames/*.parquet") for one in run.glob(pattern)]
    return {one.relative_to(run).as_posix(): hashlib.sha256(one.read_bytes()).hexdigest() for one in sorted(files)}


def plot(folder: Path, runs: tuple[str, ...]) -> None:
    """Draw memory over time: the sum of all processes, and each worker after each recording."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(9, 6), layout="constrained")
    FigureCanvasAgg(figure)
    upper, lower = figure.subplots(2, 1)
    for name, mark in zip(runs, ("-", "--", ":", "-."), strict=True):
        rows = [tuple(map(float, line.split(","))) for line in (folder / f"{name}.memory.csv").open()]
        upper.plot(
            [t / 60 for t, _ in rows], [mb for _, mb in rows], mark, label=name.removeprefix("run_"), linewidth=1
        )
        log = [json.loads(line) for line in (folder / name / "log.jsonl").open()]
        lower.plot([r["memory_mb"] for r in log], mark, linewidth=0.8, label=name.removeprefix("run_"))
    upper.set(xlabel="minutes", ylabel="all processes, MB", ylim=(0, None))
    upper.legend(title="workers", ncols=4, fontsize=8)
    lower.set(xlabel="recordings finished", ylabel="a worker afterwards, MB", ylim=(0, None))
    figure.savefig(HERE / "memory.png", dpi=100, metadata={"Software": None})


if __name__ == "__main__":
    os.nice(5)
    main(Path(sys.argv[1]))
