"""One recording of a run, from file to finished part: the same function in a process, in a pool and on a cluster."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from vision_rom.clip.files import shown_name
from vision_rom.errors import ClipError, InstallationError, OutputError, UsageError
from vision_rom.measure import measure
from vision_rom.readings import Measurement, measure_landmarks
from vision_rom.research.columns import columns_of
from vision_rom.research.landmark_files import LandmarkFacts, read_landmarks
from vision_rom.research.manifest import BatchItem
from vision_rom.research.rows import Row, frame_columns, rows_of, rows_of_failure
from vision_rom.research.settings import BatchSettings
from vision_rom.research.tables import arrow_table, whole_file, write_csv, write_parquet
from vision_rom.spool import blocks

WORKER_LOST, OUT_OF_MEMORY = "worker_lost", "out_of_memory"
NEAR_THE_LIMIT_MB = 400.0
"""Whoever came so near to a limit of memory was refused some: single requests of networks and large pictures are up to about this large"""


@dataclass(frozen=True, slots=True)
class Done:
    """What a worker tells of a finished recording; none of it goes into the tables."""

    clip_id: str
    failed: bool
    seconds: float
    cpu_seconds: float
    clip_seconds: float
    memory_mb: float
    """Of the worker's process afterwards; NaN where the system does not tell"""
    process: int
    out_of_memory: bool = False
    """It was refused memory, and its process should measure nothing more: what it holds would be wanting to the next recording"""


def part_path(run: Path, clip_id: str) -> Path:
    """Return the file whose presence says that a recording is done."""
    return run / "parts" / f"{clip_id}.json"


def process_item(
    item: BatchItem,
    settings: BatchSettings,
    root: Path,
    run: Path,
    on_progress: Callable[[float], None] | None = None,
) -> Done:
    """Measure one recording and write everything it gives; its part is written last.

    A recording that cannot be read or measured is a finished recording with a row in failures, one that wanted more memory than there was too.

    Raises
    ------
    InstallationError, OutputError
        What would befall every other recording too.

    """
    started, cpu_started = time.monotonic(), time.process_time()
    clip_seconds = 0.0
    try:
        measurement = measure_item(item, settings, root, on_progress)
    except OutputError:
        raise
    except Exception as error:
        # one recording's surprise must not end a run over thousands
        if isinstance(error, MemoryError) or memory_was_short():
            rows = rows_of_failure(item, OUT_OF_MEMORY, _without_place(_for_want_of_memory(error), root))
        elif isinstance(error, InstallationError):
            raise
        elif isinstance(error, ClipError | UsageError):
            rows = rows_of_failure(item, type(error).__name__, _without_place(str(error), root))
        else:
            rows = rows_of_failure(item, "unexpected", _without_place(_said(error), root))
    else:
        clip_seconds = measurement.clip.duration_s
        try:
            rows = rows_of(measurement, item)
            _write_files(measurement, item, settings, run)
        except MemoryError as error:
            rows = rows_of_failure(item, OUT_OF_MEMORY, _without_place(_for_want_of_memory(error), root))
    write_part(run, item, rows)
    return Done(
        clip_id=item.clip_id,
        failed=rows["clips"][0]["status"] == "failed",
        seconds=time.monotonic() - started,
        cpu_seconds=time.process_time() - cpu_started,
        clip_seconds=clip_seconds,
        memory_mb=memory_mb(),
        process=os.getpid(),
        out_of_memory=any(one["kind"] == OUT_OF_MEMORY for one in rows["failures"]),
    )


def _without_place(sentence: str, root: Path) -> str:
    """Return a sentence for tables that are given away: where the recordings lie on this machine does not belong there."""
    return (
        sentence.replace(f" in {shown_name(root)};", ";")
        .replace(f"{root}/", "")
        .replace(str(root), "the folder of the list")
    )


def measure_item(
    item: BatchItem, settings: BatchSettings, root: Path, on_progress: Callable[[float], None] | None = None
) -> Measurement:
    """Measure the recording or the landmarks of one row of the manifest."""
    path = root / item.clip
    movement, side = item.movement or settings.movement, item.side or settings.side
    if item.is_landmarks:
        facts = LandmarkFacts(item.landmark_rate_hz, item.width_px, item.height_px)
        clip, track = read_landmarks(path, facts)
        return measure_landmarks(clip, track, movement=movement, side=side)

    def tell(stage: str, fraction: float | None) -> None:
        if on_progress is not None and fraction is not None:
            on_progress(fraction)

    return measure(
        path,
        movement=movement,
        side=side,
        model=settings.model,
        mirrored=item.mirrored,
        time_factor=item.time_factor,
        person=item.person,
        rate_hz=settings.rate_hz,
        on_progress=tell,
    )


def write_lost(run: Path, item: BatchItem, attempts: int) -> None:
    """Write the part of a recording whose worker ended without a word each time."""
    reason = (
        f"The process that measured it ended {attempts} times without an answer (out of memory, or a fault in a library); "
        "try it alone with vision-rom measure, on a machine with more memory or cut shorter."
    )
    write_part(run, item, rows_of_failure(item, WORKER_LOST, reason))


def write_part(run: Path, item: BatchItem, rows: dict[str, list[Row]]) -> None:
    """Write the rows of one recording whole or not at all."""
    text = json.dumps(rows, ensure_ascii=False, allow_nan=False, indent=1)
    with whole_file(part_path(run, item.clip_id)) as file:
        file.write(text.encode())


def read_part(run: Path, clip_id: str) -> dict[str, list[Row]]:
    """Return the rows of one finished recording."""
    rows: dict[str, list[Row]] = json.loads(part_path(run, clip_id).read_text(encoding="utf-8"))
    return rows


def _said(error: Exception) -> str:
    return f"{type(error).__name__}: {' '.join(str(error).split())[:300]}"


def _for_want_of_memory(error: Exception) -> str:
    return (
        "The process that measured it may use no more memory, and what it was refused ended in: "
        f"{_said(error)} Raise the limit, have fewer workers, or cut the recording shorter; then --retry-failed."
    )


def memory_was_short() -> bool:
    """Tell whether this process came near its limit of address space, so that whatever failed may have failed for want of memory.

    Libraries tell of refused memory in their own ways: as a damaged picture, as a network or a library that cannot be loaded. Without a
    limit memory is never refused on most systems, and the process is killed instead.
    """
    try:
        # there is none on Windows
        import resource

        limit = resource.getrlimit(resource.RLIMIT_AS)[0]
        if limit == resource.RLIM_INFINITY:
            return False
        lines = Path("/proc/self/status").read_text(encoding="ascii", errors="replace").splitlines()
        most_kb = next(int(line.split()[1]) for line in lines if line.startswith("VmPeak:"))
    except (ImportError, OSError, StopIteration, ValueError):
        return False
    return limit / 2**20 - most_kb / 2**10 < NEAR_THE_LIMIT_MB


def memory_mb() -> float:
    """Return the resident memory of this process, NaN where the system does not tell."""
    try:
        pages = int(Path("/proc/self/statm").read_text().split()[1])
        return pages * os.sysconf("SC_PAGE_SIZE") / 2**20
    except (OSError, ValueError, IndexError, AttributeError):
        return float("nan")


def _frames(measurement: Measurement, item: BatchItem) -> Iterator[Any]:
    """Yield the ``frames`` table some pictures at a time: of an hour it has four million rows."""
    # one at least, so that a recording without pictures has a table too
    for pictures in blocks(max(len(measurement.track.time_s), 1)):
        yield arrow_table(frame_columns(measurement, item.clip_id, pictures), columns_of("frames"))


def _write_files(measurement: Measurement, item: BatchItem, settings: BatchSettings, run: Path) -> None:
    if settings.frames != "none":
        write_parquet(_frames(measurement, item), run / "frames" / f"{item.clip_id}.parquet")
        if settings.frames == "both":
            write_csv(_frames(measurement, item), run / "frames_csv" / f"{item.clip_id}.csv")
    if "jsonl" in settings.exports:
        from vision_rom.research.json_lines import write_json_lines

        write_json_lines(measurement, run / "jsonl" / f"{item.clip_id}.jsonl")
    if "c3d" in settings.exports and len(measurement.track.time_s) > 1:
        from vision_rom.research.c3d_files import write_c3d

        write_c3d(measurement, run / "c3d" / f"{item.clip_id}.c3d", split=True)
