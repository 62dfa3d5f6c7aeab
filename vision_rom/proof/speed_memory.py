"""How much memory measuring holds while it runs, by the command as a user gives it. Run by hand.

    python -m vision_rom.proof.speed_memory FOLDER --out tests/proof/results/speed

FOLDER keeps the rendered clips. Each clip is measured by ``vision-rom measure`` in a process of its own, whose memory is written down all
the while: what is resident, and the part of it that is the process's own. The rest are pages of files, programs and landmarks alike, which
the system takes back when it wants them. Memory does not depend on what else the machine does; how long it takes does.

A clip repeats the same few seconds, so an hour's cut-outs are the same ones over and over. For cases that end in ``:again`` what the
networks saw is kept by what they were shown, and given again, and the seconds are encoded so that they are quick to decode: all else is
decoded, cut out, followed, measured and written as ever, in a fraction of the time.
"""

from __future__ import annotations

import argparse
import csv
import hashlib
import runpy
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from vision_rom.errors import OutputError, VisionRomError
from vision_rom.pose.inference import Network
from vision_rom.pose.landmark_network import SeenPerson
from vision_rom.pose.pictures import Picture
from vision_rom.pose.regions import Region
from vision_rom.proof.speed_clip import ROUND, one_round, quick_to_decode, repeated

LIMIT_MB = 900.0
CASES = (
    "480x854:300",
    "480x854:1800",
    "1080x1920:1800",
    "2160x3840:720",
    "480x854:108000:again",
    "2160x3840:36000:again",
)
"""Width and height of the upright picture, and pictures at 30 a second"""
_SAMPLES = 600
"""Of a run, at most about so many are kept"""


@dataclass(frozen=True, slots=True)
class Held:
    """Resident memory over one run."""

    case: str
    at_s: tuple[float, ...]
    resident_mb: tuple[float, ...]
    own_mb: tuple[float, ...]
    """Of that, what is no page of a file"""
    peak_mb: float
    """The kernel's own mark, which sees what lies between two samples"""


def watched(clip: Path, case: str, every_s: float = 0.25) -> Held:
    """Measure a clip as the command does, and note the process's memory.

    Raises VisionRomError where the command fails or the system does not tell a process's memory.
    """
    at: list[float] = []
    resident: list[float] = []
    own: list[float] = []
    peak = 0.0
    with tempfile.TemporaryDirectory() as folder:
        program = (
            [sys.executable, "-m", __spec__.name, "--again"]
            if case.endswith(":again")
            else [sys.executable, "-m", "vision_rom"]
        )
        command = [*program, "measure", str(clip), "--out", f"{folder}/reading"]
        with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True) as process:
            started = time.monotonic()
            while process.poll() is None:
                marks = _marks_mb(process.pid)
                if marks:
                    at.append(time.monotonic() - started)
                    resident.append(marks[0])
                    peak = max(peak, marks[1])
                    own.append(marks[2])
                if len(at) >= _SAMPLES:
                    # a run whose length nobody knows: half as many, half as often
                    at, resident, own, every_s = at[::2], resident[::2], own[::2], 2 * every_s
                time.sleep(every_s)
            said = process.stderr.read().strip() if process.stderr else ""
        # 4 says that nothing could be read off the clip, which costs as much memory
        if process.returncode not in (0, 4) or not at:
            raise VisionRomError(f"Measuring {clip.name} ended with {process.returncode}: {said[-200:]}")
    return Held(case, tuple(at), tuple(resident), tuple(own), peak)


def _marks_mb(pid: int) -> tuple[float, float, float] | None:
    """Return resident memory, its highest mark so far, and what of it is the process's own; None where the process has just ended."""
    try:
        lines = Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines()
    except OSError:
        return None
    names = ("VmRSS", "VmHWM", "RssAnon")
    found = {name: int(line.split()[1]) / 1024.0 for line in lines if (name := line.split(":")[0]) in names}
    return (found["VmRSS"], found["VmHWM"], found["RssAnon"]) if len(found) == len(names) else None


def clip_of(folder: Path, case: str) -> Path:
    """Return the clip of a case such as ``480x854:300``, made now where the folder does not hold it yet."""
    size, pictures = case.split(":")[:2]
    width, height = (int(one) for one in size.split("x"))
    quick = case.endswith(":again")
    path = folder / f"clip_{size}_{pictures}{'_quick' if quick else ''}.mp4"
    if path.exists():
        return path
    seconds = one_round(folder, (width, height))
    return repeated(quick_to_decode(seconds) if quick else seconds, path, pictures=int(pictures))


def write(found: Sequence[Held], out: Path) -> None:
    """Write ``memory.csv`` and ``memory.png``."""
    figure = Figure(figsize=(8, 4.5), layout="constrained")
    axes = figure.subplots()
    try:
        out.mkdir(parents=True, exist_ok=True)
        with (out / "memory.csv").open("w", encoding="utf-8", newline="") as file:
            table = csv.writer(file, lineterminator="\n")
            table.writerow(("case", "at_s", "share_of_run", "resident_mb", "own_mb", "peak_mb"))
            for one in found:
                for at, *held in zip(one.at_s, one.resident_mb, one.own_mb, strict=True):
                    numbers = (f"{mb:.0f}" for mb in (*held, one.peak_mb))
                    table.writerow((one.case, f"{at:.1f}", f"{at / one.at_s[-1]:.4f}", *numbers))
        for one in found:
            shares = [at / one.at_s[-1] for at in one.at_s]
            [line] = axes.plot(shares, one.resident_mb, label=f"{_words(one.case)}: peak {one.peak_mb:.0f} MB")
            axes.plot(shares, one.own_mb, color=line.get_color(), linestyle=":", linewidth=1)
        axes.axhline(LIMIT_MB, color="black", linestyle="--", linewidth=1)
        memory = "resident memory (MB); dotted: without pages of files"
        axes.set(xlabel="share of the run", ylabel=memory, ylim=(0, LIMIT_MB * 1.05), xlim=(0, 1))
        axes.legend()
        FigureCanvasAgg(figure)
        figure.savefig(out / "memory.png", dpi=100)
    except OSError as error:
        raise OutputError(f"Nothing can be written into '{out}': {error.strerror or error}.") from error


def _words(case: str) -> str:
    size, pictures = case.split(":")[:2]
    return f"{size.replace('x', ' x ')}, {int(pictures) / ROUND.rate_hz:g} s"


def run_remembering(arguments: Sequence[str]) -> None:
    """Run ``vision-rom`` with these arguments, and the networks once only for everything that they are shown."""
    from vision_rom.pose import landmarker
    from vision_rom.pose.detector import find_regions
    from vision_rom.pose.landmark_network import find_landmarks_in
    from vision_rom.pose.regions import cut_out

    answers: dict[tuple[bytes, Region], SeenPerson | None] = {}
    places: dict[bytes, list[Region]] = {}

    def find_regions_once(network: Network, picture: Picture, *, most: int, least_sureness: float) -> list[Region]:
        whole = Region.of_whole(picture.width_px, picture.height_px)
        shown = cut_out(picture, whole, network.side_px, repeat_edge=False)
        key = hashlib.blake2b(shown.tobytes(), digest_size=16).digest()
        if key not in places:
            places[key] = find_regions(network, picture, most=most, least_sureness=least_sureness)
        return places[key]

    def find_once(network: Network, picture: Picture, region: Region, *, least_presence: float) -> SeenPerson | None:
        shown = cut_out(picture, region, network.side_px, repeat_edge=True)
        key = (hashlib.blake2b(shown.tobytes(), digest_size=16).digest(), region)
        if key not in answers:
            answers[key] = find_landmarks_in(network, picture, region, least_presence=least_presence)
        return answers[key]

    vars(landmarker)["find_landmarks_in"] = find_once
    vars(landmarker)["find_regions"] = find_regions_once
    sys.argv = ["vision-rom", *arguments]
    runpy.run_module("vision_rom", run_name="__main__", alter_sys=True)


def main() -> None:
    """Make the clips, measure them one after the other, and write what they held."""
    if sys.argv[1:2] == ["--again"]:
        run_remembering(sys.argv[2:])
        return
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--out", type=Path, default=Path("memory_results"))
    parser.add_argument("--cases", nargs="+", default=list(CASES), help="WIDTHxHEIGHT:PICTURES[:again]")
    asked = parser.parse_args()
    found = []
    for case in asked.cases:
        found.append(watched(clip_of(asked.folder, case), case))
        print(f"{_words(case)}: peak {found[-1].peak_mb:.0f} MB in {found[-1].at_s[-1]:.0f} s", flush=True)
        # after each, since an hour is long
        write(found, asked.out)


if __name__ == "__main__":
    main()
