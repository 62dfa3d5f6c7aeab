"""The same run on many machines, by Dask: one task is one recording, results go to shared storage.

Only the row of the manifest and the settings travel. At most two recordings a worker are handed out ahead, so that a
scheduler never holds a hundred thousand tasks and a slow storage slows the handing out. Dask gives a recording to another
worker when its own is lost, and gives up on one that takes several workers down with it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from vision_rom.errors import InstallationError, OutputError
from vision_rom.research.libraries import distributed
from vision_rom.research.manifest import BatchItem
from vision_rom.research.pool import MOST_ATTEMPTS, OnDone, one_thread_each
from vision_rom.research.run_folder import Run
from vision_rom.research.work import Done, process_item, write_lost

AHEAD = 2
"""Recordings for each worker that are handed out at a time"""
PATIENCE = "20s"
"""How long the scheduler is waited for"""
RETRIES = 2
"""Further tries of a recording whose result could not be written"""


def run_on_cluster(scheduler: str, run: Run, pending: Sequence[BatchItem], on_done: OnDone) -> None:
    """Measure the items on the workers of a Dask scheduler.

    Raises
    ------
    InstallationError
        No scheduler at that address, no worker there, or a worker whose installation is incomplete.
    OutputError
        A worker cannot write to the run's folder.

    """
    library = distributed()
    try:
        client = library.Client(scheduler, timeout=PATIENCE)
    except (OSError, ValueError) as error:
        raise InstallationError(
            f"There is no Dask scheduler at {scheduler} ({error}); start one with: dask scheduler"
        ) from error
    with client:
        try:
            client.wait_for_workers(1, timeout="60s")
        except TimeoutError as error:
            raise InstallationError(
                f"The Dask scheduler at {scheduler} has no worker; start some with: dask worker {scheduler} --nthreads 1"
            ) from error
        _run(client, library, run, pending, on_done)


def _run(client: Any, library: Any, run: Run, pending: Sequence[BatchItem], on_done: OnDone) -> None:
    waiting = iter(pending)
    under_way: dict[Any, BatchItem] = {}
    finished = library.as_completed(with_results=False)

    def hand_out() -> bool:
        item = next(waiting, None)
        if item is None:
            return False
        future = client.submit(
            measure_task,
            item,
            run.settings,
            run.root,
            run.folder,
            pure=False,
            retries=RETRIES,
            key=f"clip-{item.clip_id}",
        )
        under_way[future] = item
        finished.add(future)
        return True

    for _ in range(AHEAD * max(len(client.nthreads()), 1)):
        hand_out()
    for future in finished:
        item = under_way.pop(future)
        error = future.exception()
        if error is None:
            on_done(future.result())
        elif isinstance(error, library.KilledWorker):
            write_lost(run.folder, item, MOST_ATTEMPTS)
            nan = float("nan")
            on_done(Done(item.clip_id, True, nan, nan, 0.0, nan, 0))
        elif isinstance(error, InstallationError | OutputError):
            raise error
        else:
            raise InstallationError(
                f"A worker of the cluster cannot run this program ({type(error).__name__}: {error}); install the same version "
                "of vision-rom on every machine."
            ) from error
        future.release()
        # workers that joined since get their share too
        while len(under_way) < AHEAD * max(len(client.nthreads()), 1) and hand_out():
            pass


def measure_task(item: BatchItem, settings: Any, root: Any, run: Any) -> Done:
    """Measure one recording in a worker of the cluster."""
    one_thread_each()
    return process_item(item, settings, root, run)
