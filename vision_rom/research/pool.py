"""Worker processes of one machine: each measures one recording at a time, and is replaced before its memory grows.

The standard library's pool gives up when one of its processes is killed and cannot say how far a recording is. Here a
process that ends without an answer is replaced, its recording tried again, and after :data:`MOST_ATTEMPTS` listed as a
failure; progress comes through the same pipe as the answer.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from multiprocessing.context import SpawnProcess
from pathlib import Path
from typing import Self

from vision_rom.clip.decoding import use_decoding_threads
from vision_rom.errors import InstallationError, OutputError, VisionRomError
from vision_rom.pose.side_by_side import use_threads
from vision_rom.research.manifest import BatchItem
from vision_rom.research.settings import BatchSettings
from vision_rom.research.work import Done, process_item, write_lost

MOST_ATTEMPTS = 3
RECYCLE_AFTER = 25
"""Recordings that one process measures before it is replaced: what native libraries keep goes with it."""
MOST_MEMORY_MB = 2000.0
"""A process above it after a recording is replaced at once."""
_MOST_FALSE_STARTS = 3
_ONE_THREAD_OF_SUMS = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
"""NumPy's matrix library reads one of these while it is loaded, and never after"""

OnProgress = Callable[[str, float], None]
OnDone = Callable[[Done], None]


@dataclass
class _Worker:
    process: SpawnProcess
    pipe: Connection
    item: BatchItem | None = None
    finished: int = 0


class LocalPool:
    """Runs items in processes of this machine. Use it in a ``with`` statement: leaving it ends every process."""

    def __init__(
        self, workers: int, settings: BatchSettings, root: Path, run: Path, *, recycle_after: int = RECYCLE_AFTER
    ) -> None:
        self._count = workers
        self._work = (settings, root, run)
        self._run = run
        self._recycle_after = recycle_after
        self._workers: list[_Worker] = []
        self._false_starts = 0
        self._context = multiprocessing.get_context("spawn")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        for worker in self._workers:
            worker.pipe.close()
            worker.process.terminate()
        for worker in self._workers:
            worker.process.join(5)
            if worker.process.is_alive():
                worker.process.kill()
                worker.process.join()
        self._workers = []

    def run(self, items: Iterable[BatchItem], on_done: OnDone, on_progress: OnProgress | None = None) -> None:
        """Measure all items; ``on_done`` is called in this process as each is finished.

        Raises
        ------
        InstallationError, OutputError
            What would befall every recording; those under way are left for the next time.

        """
        pending = deque(items)
        attempts: dict[str, int] = {}
        while pending or any(worker.item for worker in self._workers):
            self._feed(pending)
            ready = wait([one for w in self._workers for one in (w.pipe, w.process.sentinel)], timeout=1.0)
            for worker in list(self._workers):
                if worker.pipe in ready:
                    alive = self._hear(worker, on_done, on_progress)
                elif worker.process.sentinel in ready:
                    alive = False
                else:
                    continue
                if not alive:
                    self._lose(worker, pending, attempts, on_done)

    def _feed(self, pending: deque[BatchItem]) -> None:
        busy = sum(worker.item is not None for worker in self._workers)
        while len(self._workers) < min(self._count, busy + len(pending)):
            self._workers.append(self._start())
        for worker in self._workers:
            if worker.item is None and pending:
                item = pending.popleft()
                worker.item = item
                # where it has died, its sentinel says so in the next round
                with contextlib.suppress(OSError):
                    worker.pipe.send(item)

    def _start(self) -> _Worker:
        ours, theirs = self._context.Pipe()
        process = self._context.Process(target=_serve, args=(theirs, os.getpid(), *self._work), daemon=True)
        with _environment(_ONE_THREAD_OF_SUMS):
            process.start()
        theirs.close()
        return _Worker(process, ours)

    def _hear(self, worker: _Worker, on_done: OnDone, on_progress: OnProgress | None) -> bool:
        """Take one message; False when the pipe is broken."""
        try:
            message = worker.pipe.recv()
        except (EOFError, OSError):
            return False
        if isinstance(message, float):
            if on_progress is not None and worker.item is not None:
                on_progress(worker.item.clip_id, message)
        elif isinstance(message, Done):
            self._false_starts = 0
            worker.item = None
            worker.finished += 1
            if worker.finished >= self._recycle_after or message.memory_mb > MOST_MEMORY_MB or message.out_of_memory:
                self._retire(worker)
            on_done(message)
        else:
            kind, text = message
            raise {"InstallationError": InstallationError, "OutputError": OutputError}.get(kind, VisionRomError)(text)
        return True

    def _retire(self, worker: _Worker) -> None:
        self._workers.remove(worker)
        worker.pipe.close()  # the end of the pipe is its sign to leave
        worker.process.join(10)
        if worker.process.is_alive():
            worker.process.kill()
            worker.process.join()

    def _lose(self, worker: _Worker, pending: deque[BatchItem], attempts: dict[str, int], on_done: OnDone) -> None:
        self._workers.remove(worker)
        worker.pipe.close()
        worker.process.join(5)
        item = worker.item
        if item is None:
            self._false_starts += 1
            if self._false_starts > _MOST_FALSE_STARTS:
                raise InstallationError("The worker processes end as soon as they start; run vision-rom doctor.")
            return
        attempts[item.clip_id] = attempts.get(item.clip_id, 0) + 1
        if attempts[item.clip_id] < MOST_ATTEMPTS:
            pending.appendleft(item)
            return
        write_lost(self._run, item, MOST_ATTEMPTS)
        nan = float("nan")
        on_done(Done(item.clip_id, True, nan, nan, 0.0, nan, worker.process.pid or 0))


def _serve(pipe: Connection, parent: int, settings: BatchSettings, root: Path, run: Path) -> None:
    """Measure what comes through the pipe until it ends."""
    # Ctrl-C reaches the whole group: the first process decides, the others follow when their pipe ends
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_leave_with, args=(parent,), daemon=True).start()
    one_thread_each()
    last = 0.0

    def tell(fraction: float) -> None:
        nonlocal last
        if time.monotonic() - last > 0.5:
            last = time.monotonic()
            try:
                pipe.send(float(fraction))
            except OSError:
                # the first process is gone. No part may be written for this recording, whose only fault was to be in hand;
                # leaving is no exception of the kind that becomes a row of failures
                raise SystemExit(1) from None

    while True:
        try:
            item = pipe.recv()
        except (EOFError, OSError):
            return
        try:
            answer: object = process_item(item, settings, root, run, tell)
        except (InstallationError, OutputError) as error:
            answer = (type(error).__name__, str(error))
        try:
            pipe.send(answer)
        except OSError:
            return


def one_thread_each() -> None:
    """Keep networks, decoding and OpenCV to one thread: the processes share the cores already."""
    use_threads(1)
    use_decoding_threads(1)
    try:
        import cv2

        cv2.setNumThreads(1)
    except ImportError:
        pass


@contextlib.contextmanager
def _environment(values: Mapping[str, str]) -> Iterator[None]:
    """Have these variables in the environment of processes that are started inside."""
    before = {name: os.environ.get(name) for name in values}
    os.environ.update(values)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


def _leave_with(parent: int) -> None:
    """End this process when the first one was killed, which closes no pipe that is being computed on."""
    while os.getppid() == parent:
        time.sleep(0.5)
    os._exit(1)
