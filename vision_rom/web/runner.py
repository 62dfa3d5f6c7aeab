"""The background: jobs one after the other, each in a process of its own."""

from __future__ import annotations

import logging
import math
import sqlite3
import subprocess
import sys
import threading
import time

from vision_rom.errors import OutputError, UsageError, VisionRomError
from vision_rom.web.model import Job
from vision_rom.web.receiving import forget_abandoned
from vision_rom.web.settings import ServeSettings
from vision_rom.web.store import ClinicStore

LOOK_EVERY_S = 0.3
TIDY_EVERY_S = 3600.0
REFUSED_WAIT_S = 5.0
"""After the disk or the database refused something"""
ENDED = "The work ended without a result (out of memory?); try again, or send a shorter recording."
REFUSED = "The clinic's machine refused disk or database, so nothing was stored; make room, and try again."
_log = logging.getLogger(__name__)
GONE_WITH_ITS_PATIENT = "gone"


class Runner:
    """Runs the waiting jobs of the records until it is stopped; start it once for each folder."""

    def __init__(self, settings: ServeSettings, *, jobs_at_once: int = 1) -> None:
        self._settings = settings
        self._stopped = threading.Event()
        self._threads = [
            threading.Thread(target=self._work, name=f"jobs-{n}", daemon=True) for n in range(jobs_at_once)
        ]

    def start(self) -> None:
        """Begin; jobs that ran when an earlier server stopped wait again."""
        with ClinicStore(self._settings.folder, who="the server") as kept:
            kept.resume_jobs()
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """Stop the running jobs, which wait for the next start."""
        self._stopped.set()
        for thread in self._threads:
            thread.join(timeout=20)

    def _work(self) -> None:
        claimed: list[Job] = []
        while not self._stopped.is_set():
            try:
                with ClinicStore(self._settings.folder, who="the server") as kept:
                    for job in claimed:
                        if _state(kept, job) == "running":
                            kept.set_job(job.id, state="waiting", share=None, stage="")
                    claimed.clear()
                    self._take_jobs(kept, claimed)
            except (VisionRomError, OSError, MemoryError, sqlite3.Error) as error:
                # a full disk or a lock passes; a thread that ended would leave all later work undone
                _log.warning("the work in the background waits: %s", error)
                self._stopped.wait(REFUSED_WAIT_S)

    def _take_jobs(self, kept: ClinicStore, claimed: list[Job]) -> None:
        tidied_s = -math.inf
        while not self._stopped.is_set():
            job = kept.claim_job()
            if job is None:
                if time.monotonic() > tidied_s + TIDY_EVERY_S:
                    tidied_s = time.monotonic()
                    forget_abandoned(self._settings, kept)
                self._stopped.wait(LOOK_EVERY_S)
                continue
            claimed.append(job)
            self._run(kept, job)
            claimed.clear()

    def _run(self, kept: ClinicStore, job: Job) -> None:
        command = [sys.executable, "-m", "vision_rom.web.job", str(self._settings.folder), str(job.id)]
        with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL) as process:
            while process.poll() is None:
                cancelled = _state(kept, job) in ("cancelled", GONE_WITH_ITS_PATIENT)
                if cancelled or self._stopped.is_set():
                    process.terminate()
                    try:
                        process.wait(timeout=5)
                    except subprocess.TimeoutExpired:
                        process.kill()
                    # it may have come to its end meanwhile
                    if _state(kept, job) == "running":
                        kept.set_job(job.id, state="waiting", share=None, stage="")
                    return
                try:
                    process.wait(timeout=LOOK_EVERY_S)
                except subprocess.TimeoutExpired:
                    continue
        if _state(kept, job) == "running":
            message = REFUSED if process.returncode == OutputError.exit_code else ENDED
            kept.set_job(job.id, state="failed", message=message)


def _state(kept: ClinicStore, job: Job) -> str:
    try:
        return kept.job(job.id).state
    except UsageError:
        return GONE_WITH_ITS_PATIENT
