"""What measuring costs by the recording's length, size and rate and by the number of recordings, and what many would cost. Run by hand.

    python -m vision_rom.proof.speed_cost FOLDER --out tests/proof/results/speed

FOLDER keeps the rendered clips. Cost is seconds by the clock and of the processor for each second of recording, on the machine
it was measured on; while the bench runs it should do nothing else.
"""

from __future__ import annotations

import argparse
import csv
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from vision_rom.errors import OutputError, VisionRomError
from vision_rom.proof.speed_clip import ROUND, one_round, repeated
from vision_rom.proof.speed_runs import in_own_process

SMALL, USUAL, LARGE = (480, 854), (1080, 1920), (2160, 3840)
"""Width and height of the upright picture"""
LENGTHS = (300, 600, 1800)
SIZES = (SMALL, USUAL, LARGE)
RATES_HZ = (30.0, 60.0, 120.0)
CLIPS = (5, 10, 20, 40)
PICTURES = 300
"""Of a clip, where nothing else is said"""
MANY_CLIPS, MANY_S = 100_000, 20.0
CORES = (2, 8, 64, 512)


@dataclass(frozen=True, slots=True)
class Cost:
    """One run."""

    by: str
    case: str
    recorded_s: float
    wall_s: float
    processor_s: float

    @property
    def processor_share(self) -> float:
        """Processor seconds for each second of recording."""
        return self.processor_s / self.recorded_s

    @property
    def wall_share(self) -> float:
        """Seconds by the clock for each second of recording."""
        return self.wall_s / self.recorded_s


def single_costs(folder: Path) -> Iterator[Cost]:
    """Yield the cost of one recording after the other, each in a process of its own."""
    for pictures in LENGTHS:
        yield _measured("length", f"{pictures / ROUND.rate_hz:g} s", folder, USUAL, pictures, ROUND.rate_hz)
    for size in SIZES:
        yield _measured("size", f"{size[0]} x {size[1]}", folder, size, PICTURES, ROUND.rate_hz)
    for rate in RATES_HZ:
        pictures = round(PICTURES * rate / ROUND.rate_hz)
        yield _measured("rate", f"recorded at {rate:g} Hz", folder, USUAL, pictures, rate)
    yield _measured("rate", "looked at 10 a second", folder, USUAL, PICTURES, 30.0, run="measuring_at_10_hz")


def _measured(
    by: str, case: str, folder: Path, size: tuple[int, int], pictures: int, rate_hz: float, run: str = "measuring"
) -> Cost:
    spent = in_own_process(run, _clip(folder, size, pictures, rate_hz), "full")
    return Cost(by, case, pictures / rate_hz, spent.wall_s, spent.processor_s)


def _clip(folder: Path, size: tuple[int, int], pictures: int, rate_hz: float) -> Path:
    path = folder / f"cost_{size[0]}x{size[1]}_{pictures}_{rate_hz:g}.mp4"
    if not path.exists():
        repeated(one_round(folder, size), path, pictures=pictures, rate_hz=rate_hz)
    return path


def batch_costs(folder: Path, counts: Sequence[int] = CLIPS) -> Iterator[Cost]:
    """Yield the cost of batches of short clips with two workers, and of the largest one with a single worker too."""
    clip = one_round(folder, SMALL)
    for workers, number in [(1, max(counts)), *((2, number) for number in counts)]:
        yield batch_cost(clip, number, workers)


def batch_cost(clip: Path, number: int, workers: int) -> Cost:
    """Return the cost of measuring so many copies of a clip by ``vision-rom batch``, from start to end of the command."""
    with tempfile.TemporaryDirectory() as place:
        recordings = Path(place, "recordings")
        recordings.mkdir()
        for count in range(number):
            (recordings / f"clip{count:03d}.mp4").symlink_to(clip.resolve())
        command = [sys.executable, "-m", "vision_rom", "batch", str(recordings), "--out", f"{place}/run"]
        started, before = time.monotonic(), resource.getrusage(resource.RUSAGE_CHILDREN)
        done = subprocess.run([*command, "--workers", str(workers)], capture_output=True, text=True, check=False)
        wall_s, after = time.monotonic() - started, resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode:
        raise VisionRomError(f"The batch of {number} ended with {done.returncode}: {done.stderr[-200:]}")
    processor_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    recorded_s = number * _length_s(clip)
    return Cost(
        "clips", f"{number} clips, {workers} worker{'s' if workers > 1 else ''}", recorded_s, wall_s, processor_s
    )


def _length_s(clip: Path) -> float:
    import av

    with av.open(str(clip)) as container:
        return container.streams.video[0].frames / ROUND.rate_hz


def core_hours(share: float) -> float:
    """Return the core-hours of many recordings from the processor seconds of one second of recording."""
    return MANY_CLIPS * MANY_S * share / 3600.0


def page(found: Sequence[Cost], load: float) -> str:
    """Return the result as a page of Markdown."""
    lines = ["# What measuring costs", ""]
    lines += [
        f"{date.today().isoformat()}, {_cores()} cores, full network; load of the machine before the runs {load:.1f}.",
        "Made by `python -m vision_rom.proof.speed_cost`, never edited.",
        f"Clips of {PICTURES / ROUND.rate_hz:g} s, {USUAL[0]} x {USUAL[1]}, 30 pictures a second, where nothing else is said;",
        f"in batches, short ones of {SMALL[0]} x {SMALL[1]}.",
        "",
        "| by | case | seconds of recording | seconds | processor seconds | seconds a second | processor seconds a second |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for one in found:
        lines.append(
            f"| {one.by} | {one.case} | {one.recorded_s:.1f} | {one.wall_s:.1f} | {one.processor_s:.1f} "
            f"| {one.wall_share:.2f} | {one.processor_share:.2f} |"
        )
    cases = {one.case: one for one in found}
    one_worker, two_workers = (cases.get(f"{max(CLIPS)} clips, {words}") for words in ("1 worker", "2 workers"))
    if one_worker and two_workers:
        times = one_worker.wall_s / two_workers.wall_s
        lines += ["", f"Two workers measure {max(CLIPS)} clips in 1 / {times:.2f} of the time of one."]
    lines += ["", f"## {MANY_CLIPS:,} recordings of {MANY_S:g} s", ""]
    lines += [
        "A projection: processor seconds a second of recording, times the length, over the cores. It takes the cores for as fast as",
        "this machine's and the work for evenly spread.",
        "",
        "| size | core-hours | " + " | ".join(f"hours on {cores} cores" for cores in CORES) + " |",
        "| --- | --- |" + " --- |" * len(CORES),
    ]
    for one in found:
        if one.by == "size" or one is two_workers:
            hours = core_hours(one.processor_share)
            name = one.case if one.by == "size" else f"{SMALL[0]} x {SMALL[1]}, as {one.case}"
            lines.append(f"| {name} | {hours:.0f} | " + " | ".join(f"{hours / cores:.1f}" for cores in CORES) + " |")
    return "\n".join(lines) + "\n"


def write(found: Sequence[Cost], load: float, out: Path) -> None:
    """Write ``cost.csv``, ``cost.md`` and ``cost.png``."""
    try:
        out.mkdir(parents=True, exist_ok=True)
        with (out / "cost.csv").open("w", encoding="utf-8", newline="") as file:
            table = csv.writer(file, lineterminator="\n")
            table.writerow(("by", "case", "recorded_s", "wall_s", "processor_s"))
            table.writerows(
                (one.by, one.case, f"{one.recorded_s:.2f}", f"{one.wall_s:.2f}", f"{one.processor_s:.2f}")
                for one in found
            )
        (out / "cost.md").write_text(page(found, load), encoding="utf-8")
        figure = _figure(found)
        FigureCanvasAgg(figure)
        figure.savefig(out / "cost.png", dpi=100)
    except OSError as error:
        raise OutputError(f"Nothing can be written into '{out}': {error.strerror or error}.") from error


def _figure(found: Sequence[Cost]) -> Figure:
    figure = Figure(figsize=(11, 6.5), layout="constrained")
    panels = figure.subplots(2, 2).ravel()
    for axes, by in zip(panels, ("length", "size", "rate", "clips"), strict=True):
        cases = [one for one in found if one.by == by]
        names, rows = [one.case for one in cases], range(len(cases))
        axes.barh(
            [row + 0.2 for row in rows], [one.processor_share for one in cases], 0.4, label="processor", color="#0b5c8a"
        )
        axes.barh([row - 0.2 for row in rows], [one.wall_share for one in cases], 0.4, label="clock", color="#d9a400")
        axes.set_yticks(list(rows), names)
        axes.invert_yaxis()
        axes.set_title(f"by {by}", loc="left", fontsize=10)
        axes.set_xlabel("seconds for each second of recording", fontsize=9)
        axes.grid(axis="x", alpha=0.3)
    # beside the panels: inside, it covers a bar
    figure.legend(*panels[0].get_legend_handles_labels(), loc="outside lower center", ncols=2, fontsize=9)
    return figure


def _cores() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _told(costs: Iterable[Cost]) -> Iterator[Cost]:
    for one in costs:
        print(f"{one.by}, {one.case}: {one.wall_s:.1f} s, {one.processor_s:.1f} s of the processor", flush=True)
        yield one


def main() -> None:
    """Make the clips, measure them, and write tables and plot."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--out", type=Path, default=Path("cost_results"))
    parser.add_argument("--only-clips", action="store_true", help="make the clips and measure nothing")
    asked = parser.parse_args()
    for size in SIZES:
        one_round(asked.folder, size)
    if asked.only_clips:
        return
    load = os.getloadavg()[0]
    found = [*_told(single_costs(asked.folder)), *_told(batch_costs(asked.folder))]
    write(found, load, asked.out)


if __name__ == "__main__":
    main()
