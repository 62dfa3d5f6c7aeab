"""A run over many recordings: what is done stays done, what failed is listed, and the tables come out the same.

Each recording gives one part, a file that appears when everything else of the recording is on the disk. A run that was
killed goes on with the recordings that have no part. The tables are put together from the parts in the manifest's
order, so neither the number of workers nor the order in which they finish can be seen in them.
"""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from vision_rom.errors import OutputError, UsageError
from vision_rom.research.columns import TABLES
from vision_rom.research.libraries import pyarrow
from vision_rom.research.manifest import BatchItem
from vision_rom.research.pool import RECYCLE_AFTER, LocalPool, OnDone, OnProgress
from vision_rom.research.rows import Row
from vision_rom.research.run_folder import Run, locked, remove_leftovers, start_or_resume
from vision_rom.research.settings import BatchSettings
from vision_rom.research.tables import write_tables
from vision_rom.research.work import Done, part_path, process_item, read_part


@dataclass(frozen=True, slots=True)
class BatchResult:
    """What a run came to."""

    folder: Path
    recordings: int
    resumed: int
    """Recordings that were done before this start"""
    readings_measured: int
    failures: dict[str, int]
    """Rows of failures by kind"""
    clip_seconds: float
    """Length of the recordings measured since this start"""
    core_seconds: float
    """Processor time of the workers for them"""


@dataclass(frozen=True, slots=True)
class Listener:
    """Whom a run tells how far it is."""

    started: Callable[[int, int], None] = lambda done, total: None
    done: OnDone = lambda done: None
    progress: OnProgress | None = None


def run_batch(
    root: Path,
    items: Sequence[BatchItem],
    out: Path,
    settings: BatchSettings | None = None,
    *,
    workers: int | None = None,
    scheduler: str | None = None,
    retry_failed: bool = False,
    recycle_after: int = RECYCLE_AFTER,
    listener: Listener | None = None,
) -> BatchResult:
    """Measure every item and write the tables; go on where an earlier start was stopped.

    Parameters
    ----------
    root, items
        From :func:`vision_rom.research.manifest.items_of`.
    out
        Folder of the run.
    settings
        None takes the defaults.
    workers
        Processes; None takes one for each core, 0 measures in this process.
    scheduler
        Address of a Dask scheduler whose workers measure instead; ``out`` and ``root`` must be on storage they share.
    retry_failed
        Try recordings again that could not be read before.
    recycle_after
        Recordings that one process measures before it is replaced.
    listener
        Told of the progress.

    Raises
    ------
    UsageError
        The folder holds another run, or another process works in it.
    OutputError, InstallationError
        A result cannot be written, or a library or model is missing; what is done stays done.

    """
    pyarrow()  # before hours of work, not after
    if not items:
        raise UsageError("There is no recording to measure.")
    listener = listener or Listener()
    settings = settings or BatchSettings()
    out = out.resolve()
    with locked(out):
        run = start_or_resume(out, root, tuple(items), settings)
        remove_leftovers(out)
        if retry_failed:
            _forget_failed(run)
        pending = [item for item in run.items if not part_path(out, item.clip_id).exists()]
        resumed = len(run.items) - len(pending)
        listener.started(resumed, len(run.items))
        totals = [0.0, 0.0]

        def on_done(done: Done) -> None:
            _log(out / "log.jsonl", done)
            totals[0] += done.clip_seconds
            totals[1] += done.cpu_seconds if done.cpu_seconds == done.cpu_seconds else 0.0
            listener.done(done)

        _run(run, pending, workers, scheduler, recycle_after, on_done, listener.progress)
        return _assemble(run, resumed, *totals)


def _log(path: Path, done: Done) -> None:
    """Add a line; one that a kill or a full disk cut short is not gone on with."""
    try:
        with path.open("ab") as log:
            begins = log.tell() == 0 or _last_byte(path) == b"\n"
            log.write((b"" if begins else b"\n") + json.dumps(asdict(done)).encode() + b"\n")
    except OSError as error:
        raise OutputError(
            f"{path} cannot be written ({error.strerror or error}); free the disk and give the same command again."
        ) from error


def _last_byte(path: Path) -> bytes:
    with path.open("rb") as file:
        file.seek(-1, os.SEEK_END)
        return file.read()


def _run(
    run: Run,
    pending: Sequence[BatchItem],
    workers: int | None,
    scheduler: str | None,
    recycle_after: int,
    on_done: OnDone,
    on_progress: OnProgress | None,
) -> None:
    if not pending:
        return
    if scheduler is not None:
        from vision_rom.research.cluster import run_on_cluster

        run_on_cluster(scheduler, run, pending, on_done)
        return
    count = os.cpu_count() or 1 if workers is None else workers
    if count == 0:
        for item in pending:
            on_done(process_item(item, run.settings, run.root, run.folder))
        return
    with LocalPool(count, run.settings, run.root, run.folder, recycle_after=recycle_after) as pool:
        pool.run(pending, on_done, on_progress)


def _assemble(run: Run, resumed: int, clip_seconds: float, core_seconds: float) -> BatchResult:
    rows: dict[str, list[Row]] = {name: [] for name in TABLES}
    for item in run.items:
        part = read_part(run.folder, item.clip_id)
        for name in TABLES:
            rows[name].extend(part[name])
    write_tables(rows, run.folder, run.carried)
    return BatchResult(
        folder=run.folder,
        recordings=len(run.items),
        resumed=resumed,
        readings_measured=sum(row["status"] == "measured" for row in rows["readings"]),
        failures=dict(sorted(Counter(row["kind"] for row in rows["failures"]).items())),
        clip_seconds=clip_seconds,
        core_seconds=core_seconds,
    )


def _forget_failed(run: Run) -> None:
    for item in run.items:
        place = part_path(run.folder, item.clip_id)
        if place.exists() and read_part(run.folder, item.clip_id)["clips"][0]["status"] == "failed":
            place.unlink()
