"""How fast measuring is, beside a plain loop and the bare network on the same clip in the same run. Run by hand.

    python -m vision_rom.proof.speed_bench FOLDER --out tests/proof/results/speed

Needs the extra ``test``, for MediaPipe. FOLDER keeps the rendered clip. Runs take turns, each in a process of its own. A machine may
change its pace within minutes, most of all a virtual one, so a ratio is taken within each round, the bare networks run shortly
before and after measuring, and the median over the rounds counts. Quote the ratios; milliseconds are this machine's. While the
bench runs the machine should do nothing else; the load when it began and ended is written down, so that a reader can tell.
Processor time is kept beside the clock for machines that are never idle.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date
from importlib import metadata
from pathlib import Path
from statistics import fmean, median

from vision_rom.errors import OutputError, VisionRomError
from vision_rom.pose.settings import MODEL_NAMES, ModelName
from vision_rom.proof.speed_clip import ROUND, one_round, repeated
from vision_rom.proof.speed_runs import Spent, in_own_process

COMPARED = (
    "plain_loop",
    "bare_network",
    "bare_shortened",
    "measuring",
    "bare_network",
    "bare_shortened",
    "landmarks",
    "command",
    "result_pictures",
    "bare_network",
    "bare_shortened",
)
"""For each network, in this order"""
ASIDE = ("decoding", "measuring_again")
"""Once a round"""
_LIBRARIES = ("ai-edge-litert", "mediapipe", "opencv-contrib-python", "av", "numpy")


@dataclass(frozen=True, slots=True)
class Facts:
    """What a result must be read with."""

    when: str
    machine: str
    cores: int
    libraries: str
    pictures: int
    clip: str
    rounds: int
    load_before: float
    load_after: float
    """Processes that wanted a core, averaged over a minute; more than this bench's own means others slowed it"""


@dataclass(frozen=True, slots=True)
class Start:
    """Seconds from calling a program to what it does first; the quickest of several."""

    help_s: float
    first_progress_s: float


def compared(clip: Path, models: Sequence[ModelName], rounds: int) -> list[Spent]:
    """Return every run of every round, in the order in which they took turns."""
    wanted = [(name, model) for model in models for name in COMPARED] + [(name, models[0]) for name in ASIDE]
    found = []
    for turn in range(rounds):
        for name, model in wanted:
            found.append(replace(in_own_process(name, clip, model), turn=turn))
            print(f"round {turn + 1}: {model} {name} {found[-1].ms_a_picture:.1f} ms a picture", file=sys.stderr)
    return found


def usual(runs: Sequence[Spent]) -> dict[tuple[str, str], Spent]:
    """Return the run of each name and model that took the median time, the quicker one of two."""
    found: dict[tuple[str, str], list[Spent]] = {}
    for one in runs:
        found.setdefault((one.name, one.model), []).append(one)
    return {key: sorted(of, key=lambda one: one.wall_s)[(len(of) - 1) // 2] for key, of in found.items()}


def ratios(runs: Sequence[Spent], model: ModelName, cores: int) -> dict[str, float]:
    """Return the figures that hold on other machines too.

    Those by the clock hold for an idle machine: a program of one thread loses less to other programs than one that wants
    every core. Those by processor time take what a program computes as spread evenly over the cores that it can use, and
    hardly depend on what else runs.
    """
    found: dict[str, list[float]] = {}
    for turn in sorted({one.turn for one in runs}):
        own = [one for one in runs if one.model == model and one.turn == turn]
        clock = _each(own, lambda one: one.ms_a_picture)
        work = _each(own, lambda one: one.processor_ms_a_picture / (1 if one.name == "plain_loop" else cores))
        for by, ms in (("by the clock", clock), ("by processor time", work)):
            ours = ms["measuring"]
            of_turn = {
                "times the speed of the plain loop": ms["plain_loop"] / ours,
                "share of the published network's limit": ms["bare_network"] / ours,
                "share of the shortened network's limit": ms["bare_shortened"] / ours,
                "share of time outside decoding and networks": 1.0 - ms["landmarks"] / ours,
                "share of the command's time outside decoding and networks": 1.0
                - (ms["landmarks"] + ms["result_pictures"]) / ms["command"],
                "the same, with the result's pictures counted as outside": 1.0 - ms["landmarks"] / ms["command"],
                "times real time": 1000.0 / ROUND.rate_hz / ours,
            }
            for name, value in of_turn.items():
                found.setdefault(f"{name}, {by}", []).append(value)
    return {name: median(values) for name, values in found.items()}


def _each(runs: Sequence[Spent], of: Callable[[Spent], float]) -> dict[str, float]:
    """Return the mean of a figure over the runs of each name, most of which there are once."""
    return {name: fmean(of(one) for one in runs if one.name == name) for name in {one.name for one in runs}}


def memory_by_length(clips: Sequence[tuple[int, Path]], model: ModelName) -> list[tuple[int, float]]:
    """Return (pictures, peak MB) of measuring clips of several lengths."""
    return [(pictures, in_own_process("measuring", clip, model).peak_mb) for pictures, clip in clips]


def start(clip: Path, times: int = 3) -> Start:
    """Return how soon the program answers."""
    told = (
        "import sys, time; started = time.perf_counter()\n"
        "from vision_rom.measure import measure\n"
        "def tell(stage, share):\n"
        "    print(time.perf_counter() - started); sys.stdout.flush(); raise SystemExit\n"
        f"measure({str(clip)!r}, on_progress=tell)\n"
    )
    return Start(
        help_s=min(_seconds([sys.executable, "-m", "vision_rom", "--help"]) for _ in range(times)),
        first_progress_s=min(_seconds([sys.executable, "-c", told]) for _ in range(times)),
    )


def _seconds(command: Sequence[str]) -> float:
    started = time.perf_counter()
    done = subprocess.run(command, capture_output=True, check=False)
    if done.returncode:
        raise VisionRomError(f"{command[-1][:40]} ended with {done.returncode}")
    return time.perf_counter() - started


def page(facts: Facts, runs: Sequence[Spent], begins: Start, memory: Sequence[tuple[int, float]]) -> str:
    """Return the result as a page of Markdown."""
    best = usual(runs)
    models = [model for model in MODEL_NAMES if ("plain_loop", model) in best]
    lines = [
        "# How fast",
        "",
        f"{facts.when}, {facts.machine}, {facts.cores} cores; {facts.libraries}.",
        f"Clip: {facts.pictures} pictures, {facts.clip}. Medians of {facts.rounds} rounds.",
        f"Load of the machine {facts.load_before:.1f} before the runs, {facts.load_after:.1f} after.",
        "Made by `python -m vision_rom.proof.speed_bench`, never edited.",
        "",
        "| ratio | " + " | ".join(models) + " |",
        "| --- |" + " --- |" * len(models),
    ]
    found = {model: ratios(runs, model, facts.cores) for model in models}
    for name in found[models[0]]:
        lines.append(f"| {name} | " + " | ".join(f"{found[model][name]:.2f}" for model in models) + " |")
    lines += ["", "| run | network | ms a picture | processor ms | peak MB | detector, landmark runs a picture |"]
    lines += ["| --- | --- | --- | --- | --- | --- |"]
    for (name, model), one in best.items():
        each = max(one.pictures, 1)
        runs_text = f"{one.detector_runs / each:.3f}, {one.landmark_runs / each:.3f}" if one.landmark_runs else ""
        lines.append(
            f"| {name} | {model} | {one.ms_a_picture:.1f} | {one.processor_ms_a_picture:.1f} "
            f"| {one.peak_mb:.0f} | {runs_text} |"
        )
    lines += [
        "",
        f"`vision-rom --help` {begins.help_s:.2f} s; start to first progress {begins.first_progress_s:.2f} s.",
    ]
    lines += ["", "| pictures | peak MB of measuring |", "| --- | --- |"]
    lines += [f"| {pictures} | {mb:.0f} |" for pictures, mb in memory]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Make the clips, let the runs take turns, and write ``speed.json`` and ``speed.md``."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--out", type=Path, default=Path("speed_results"))
    parser.add_argument("--pictures", type=int, default=1800, help="of the clip; 1800 are 60 s")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--models", nargs="+", choices=MODEL_NAMES, default=list(MODEL_NAMES))
    parser.add_argument("--memory", type=int, nargs="*", default=[300, 1800, 9000], help="lengths in pictures")
    asked = parser.parse_args()
    one = one_round(asked.folder)

    def clip_of(pictures: int) -> Path:
        path: Path = asked.folder / f"clip_{pictures}.mp4"
        return path if path.exists() else repeated(one, path, pictures=pictures)

    clip = clip_of(asked.pictures)
    load_before = os.getloadavg()[0]
    runs = compared(clip, asked.models, asked.rounds)
    load_after = os.getloadavg()[0]
    begins = start(clip)
    memory = memory_by_length([(length, clip_of(length)) for length in asked.memory], asked.models[0])
    megabits = clip.stat().st_size * 8 / 1e6 / (asked.pictures / ROUND.rate_hz)
    facts = Facts(
        when=date.today().isoformat(),
        machine=platform.processor() or platform.machine(),
        cores=len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1,
        libraries=", ".join(f"{name} {metadata.version(name)}" for name in _LIBRARIES),
        pictures=asked.pictures,
        clip=f"{ROUND.camera.width_px} x {ROUND.camera.height_px}, {ROUND.rate_hz:g} a second, H.264, {megabits:.0f} Mbit/s",
        rounds=asked.rounds,
        load_before=load_before,
        load_after=load_after,
    )
    result = {
        "facts": asdict(facts),
        "ratios": {model: ratios(runs, model, facts.cores) for model in asked.models},
        "start": asdict(begins),
        "peak_mb_by_pictures": memory,
        "runs": [asdict(run) for run in runs],
    }
    try:
        asked.out.mkdir(parents=True, exist_ok=True)
        (asked.out / "speed.json").write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
        (asked.out / "speed.md").write_text(page(facts, runs, begins, memory), encoding="utf-8")
    except OSError as error:
        raise OutputError(f"Nothing can be written into '{asked.out}': {error.strerror or error}.") from error
    print((asked.out / "speed.md").read_text(encoding="utf-8"))


if __name__ == "__main__":
    main()
