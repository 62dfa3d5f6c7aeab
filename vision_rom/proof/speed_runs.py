"""What the bench of speed compares, each run in a process of its own: ``python -m vision_rom.proof.speed_runs NAME CLIP MODEL``.

A run prints one line of JSON: pictures, seconds by the clock and of the processor, and the most memory the process held. Loading
Python's modules does not count, loading networks does.
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import tempfile
import threading
import time
import zipfile
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np

from vision_rom.errors import VisionRomError
from vision_rom.pose.settings import ModelName, PoseSettings

BARE_RUNS = 150
"""Landmark networks are run so often on each core to tell the limit."""


@dataclass(frozen=True, slots=True)
class Spent:
    """What one run took."""

    name: str
    model: str
    pictures: int
    wall_s: float
    processor_s: float
    peak_mb: float
    detector_runs: int = 0
    landmark_runs: int = 0
    turn: int = 0
    """The round of the bench"""

    @property
    def ms_a_picture(self) -> float:
        """By the clock."""
        return 1000.0 * self.wall_s / max(self.pictures, 1)

    @property
    def processor_ms_a_picture(self) -> float:
        """Of all threads together."""
        return 1000.0 * self.processor_s / max(self.pictures, 1)


Run = Callable[[Path, ModelName], dict[str, Any]]


def plain_loop(clip: Path, model: ModelName) -> dict[str, Any]:
    """What a first program would do: OpenCV reads, MediaPipe looks at each picture afresh, one after the other."""
    import cv2

    from vision_rom.pose.mediapipe_task import TaskLandmarker

    pictures = 0
    capture = cv2.VideoCapture(str(clip))
    with TaskLandmarker(PoseSettings(model=model, max_people=1)) as task:
        while True:
            there, bgr = capture.read()
            if not there:
                break
            task.look(cv2.cvtColor(bgr, cv2.COLOR_BGR2RGB))
            pictures += 1
    capture.release()
    return {"pictures": pictures}


def bare_network(clip: Path, model: ModelName) -> dict[str, Any]:
    """Run the landmark network alone, as published, on a fixed array on every core; nothing is read or decoded."""
    from vision_rom.pose.networks import read_network

    with zipfile.ZipFile(BytesIO(read_network(model))) as bundle:
        return _bare(bundle.read("pose_landmarks_detector.tflite"))


def bare_shortened(clip: Path, model: ModelName) -> dict[str, Any]:
    """Run the same network without the part that draws the outline."""
    from vision_rom.pose.networks import read_networks

    return _bare(read_networks(model).landmarks)


def _bare(content: bytes) -> dict[str, Any]:
    from vision_rom.pose.inference import Network
    from vision_rom.pose.landmark_network import USED

    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    networks = [Network(content, name="bare", outputs=USED) for _ in range(cores)]
    picture = np.random.default_rng(0).random((256, 256, 3), np.float32)

    def work(network: Network) -> None:
        for _ in range(BARE_RUNS):
            network.run(picture)

    for one in networks:
        one.run(picture)
    started, used = time.perf_counter(), time.process_time()
    threads = [threading.Thread(target=work, args=(one,)) for one in networks]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return {
        "pictures": BARE_RUNS * cores,
        "wall_s": time.perf_counter() - started,
        "processor_s": time.process_time() - used,
    }


def decoding(clip: Path, model: ModelName) -> dict[str, Any]:
    """Decode as for measuring, and look at nothing."""
    from vision_rom.clip import open_clip

    with open_clip(clip) as reader:
        return {"pictures": sum(1 for _ in reader.as_stored())}


def converting(clip: Path, model: ModelName) -> dict[str, Any]:
    """Decode and convert whole pictures to upright RGB, which measuring did before and does no more."""
    from vision_rom.clip import open_clip

    with open_clip(clip) as reader:
        return {"pictures": sum(1 for _ in reader)}


def landmarks(clip: Path, model: ModelName) -> dict[str, Any]:
    """Find the patient's landmarks, decoding included."""
    from vision_rom.clip import open_clip
    from vision_rom.pose.side_by_side import Lookout

    lookout = Lookout(PoseSettings(model=model))
    with open_clip(clip) as reader:
        # those that nobody looked at count too
        pictures = sum(1 for _ in lookout.watch(reader.as_stored()))
    return {"pictures": pictures, **asdict(lookout.effort)}


def measuring(clip: Path, model: ModelName) -> dict[str, Any]:
    """``vision_rom.measure`` from the file to the readings."""
    from vision_rom.measure import measure

    return {"pictures": len(measure(clip, model=model).track.time_s)}


def command(clip: Path, model: ModelName) -> dict[str, Any]:
    """``vision-rom measure`` as a user gives it, from its start to the result folder with its pictures."""
    with tempfile.TemporaryDirectory() as folder:
        called = [
            sys.executable,
            "-m",
            "vision_rom",
            "measure",
            str(clip),
            "--model",
            model,
            "--out",
            f"{folder}/reading",
        ]
        started = time.perf_counter()
        subprocess.run(called, stdout=subprocess.DEVNULL, check=True)
        wall_s = time.perf_counter() - started
        pictures = len((Path(folder) / "reading" / "angles.csv").read_text(encoding="utf-8").splitlines()) - 1
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return {
        "pictures": pictures,
        "wall_s": wall_s,
        "processor_s": used.ru_utime + used.ru_stime,
        "peak_mb": used.ru_maxrss / 1024.0,
    }


def result_pictures(clip: Path, model: ModelName) -> dict[str, Any]:
    """Decode once more what the result folder shows, as the command does after measuring; only that counts."""
    from vision_rom.measure import measure
    from vision_rom.report.folder import frames_shown

    measured = measure(clip, model=model)
    started, used = time.perf_counter(), time.process_time()
    frames_shown(measured)
    return {
        "pictures": len(measured.track.time_s),
        "wall_s": time.perf_counter() - started,
        "processor_s": time.process_time() - used,
    }


def measuring_at_10_hz(clip: Path, model: ModelName) -> dict[str, Any]:
    """Look at ten pictures a second only."""
    from vision_rom.measure import measure

    return {"pictures": len(measure(clip, model=model, rate_hz=10.0).track.time_s)}


def measuring_again(clip: Path, model: ModelName) -> dict[str, Any]:
    """The same with landmarks that were found before; only the second time counts."""
    from vision_rom.measure import measure

    with tempfile.TemporaryDirectory() as folder:
        measure(clip, model=model, cache=Path(folder))
        started, used = time.perf_counter(), time.process_time()
        found = measure(clip, model=model, method="picture", cache=Path(folder))
        return {
            "pictures": len(found.track.time_s),
            "wall_s": time.perf_counter() - started,
            "processor_s": time.process_time() - used,
        }


RUNS: dict[str, Run] = {
    run.__name__: run
    for run in (
        plain_loop,
        bare_network,
        bare_shortened,
        decoding,
        converting,
        landmarks,
        measuring,
        command,
        result_pictures,
        measuring_at_10_hz,
        measuring_again,
    )
}


def in_own_process(name: str, clip: Path, model: ModelName) -> Spent:
    """Run one of :data:`RUNS` in a new process and return what it took.

    Raises VisionRomError with the last line it wrote where it failed.
    """
    done = subprocess.run(
        [sys.executable, "-m", "vision_rom.proof.speed_runs", name, str(clip), model],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        lines = done.stderr.strip().splitlines()
        raise VisionRomError(f"The run {name} failed: {lines[-1] if lines else done.returncode}")
    return Spent(**json.loads(done.stdout.splitlines()[-1]))


def main() -> None:
    """Do one run and print what it took."""
    name, clip, model = sys.argv[1:4]
    run = RUNS[name]
    started, used = time.perf_counter(), time.process_time()
    told = run(Path(clip), "heavy" if model == "heavy" else "full")
    spent = Spent(
        name=name,
        model=model,
        pictures=0,
        wall_s=time.perf_counter() - started,
        processor_s=time.process_time() - used,
        peak_mb=resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0,
    )
    print(json.dumps(asdict(replace(spent, **told))))


if __name__ == "__main__":
    main()
