"""One piece of work in a process of its own, so that it can be stopped and cannot take the server along.

Run as::

    python -m vision_rom.web.job FOLDER NUMBER

The process ends by itself when the server goes (its standard input closes): the job then waits for the next server.
"""

from __future__ import annotations

import os
import signal
import sqlite3
import sys
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from vision_rom.errors import ClipMissing, VisionRomError, refused_by_the_machine
from vision_rom.records import Visit
from vision_rom.records.model import Clip
from vision_rom.web.model import Job, Upload
from vision_rom.web.settings import ServeSettings, without_places
from vision_rom.web.store import ClinicStore

if TYPE_CHECKING:
    from vision_rom.readings import Measurement

TELL_EVERY_S = 0.4
LONGEST_CLEANING_S = 5.0
GONE = 75
"""Exit code where the server went away"""
OnProgress = Callable[[str, float | None], None]


def run_job(settings: ServeSettings, number: int) -> None:
    """Do a job and note how it ended; a sentence for the user where it failed."""
    with ClinicStore(settings.folder, who="the server") as kept:
        job = kept.job(number)
        kept.who = job.who
        tell = _teller(kept, job)
        try:
            if job.kind == "look":
                message = _look(kept, settings, job, tell)
            elif job.kind == "measure" and job.clip_id is not None:
                message = _measure_again(kept, job, tell)
            elif job.kind == "measure":
                message = _measure(kept, settings, job, tell)
            elif job.kind == "draw":
                message = _draw(kept, job, tell)
            else:
                message = _annotate(kept, job, tell)
        except (VisionRomError, OSError, MemoryError, sqlite3.Error) as error:
            told = error if isinstance(error, VisionRomError) else refused_by_the_machine(error)
            # where the records lie is nobody's business who reads the pages
            message = without_places(str(told), settings.folder)
            kept.set_job(number, state="failed", message=message)
            if job.upload_id is not None and kept.upload(job.upload_id).path is None:
                kept.set_upload(job.upload_id, state="refused", message=message)
        else:
            kept.set_job(number, state="done", share=1.0, stage="", message=message)


def exit_code_of(settings: ServeSettings, number: int) -> int:
    """Do a job and return the exit code of its process; a sentence on stderr where even its failure could not be noted."""
    try:
        run_job(settings, number)
    except (VisionRomError, OSError, MemoryError, sqlite3.Error) as error:
        told = error if isinstance(error, VisionRomError) else refused_by_the_machine(error)
        sys.stderr.write(f"vision-rom: {told}\n")
        return told.exit_code
    return 0


def _teller(kept: ClinicStore, job: Job) -> OnProgress:
    told_at, told = 0.0, ""

    def tell(stage: str, share: float | None) -> None:
        nonlocal told_at, told
        if time.monotonic() - told_at < TELL_EVERY_S and stage == told:
            return
        told_at, told = time.monotonic(), stage
        # a lock or a full disk that lets no progress be told may be over before the work is
        with suppress(sqlite3.Error):
            kept.set_job(job.id, stage=stage, share=share)

    return tell


def _taken_in(kept: ClinicStore, settings: ServeSettings, upload: Upload, tell: OnProgress) -> Path:
    """Return the recording without what the phone wrote beside it, made where it is not there yet."""
    from vision_rom.web.intake import suffix_of, take_in

    if upload.path is not None:
        return Path(upload.path)
    tell("checking the file", None)
    received = settings.receiving / upload.id
    if not received.is_file():
        raise ClipMissing("The recording is not there any more; send it again.")
    settings.recordings.mkdir(parents=True, exist_ok=True)
    path = (settings.recordings / f"{upload.id}{suffix_of(received)}").resolve()
    partial = path.with_name(f".{path.stem}.partial{path.suffix}")
    try:
        take_in(received, partial)
        partial.replace(path)
    finally:
        # also where the work is cancelled in the middle of copying
        partial.unlink(missing_ok=True)
    kept.set_upload(upload.id, path=str(path))
    received.unlink(missing_ok=True)
    return path


def _look(kept: ClinicStore, settings: ServeSettings, job: Job, tell: OnProgress) -> str:
    from vision_rom.web.looking import faults_of

    assert job.upload_id is not None
    upload = kept.upload(job.upload_id)
    path = _taken_in(kept, settings, upload, tell)
    tell("looking at the recording", None)
    faults = faults_of(path, movement=upload.movement, side=upload.side)
    if kept.upload(upload.id).state == "received":
        # else the patient has given it up meanwhile
        kept.set_upload(upload.id, state="looked_at", message=" ".join(faults))
    return ""


def _measure(kept: ClinicStore, settings: ServeSettings, job: Job, tell: OnProgress) -> str:
    from vision_rom.pain.recorded import PainAsked
    from vision_rom.records.measuring import measure_into

    assert job.upload_id is not None
    upload = kept.upload(job.upload_id)
    path = _taken_in(kept, settings, upload, tell)
    visit, at_rest = visit_of(kept, upload)
    # what was sent by the patient or the clinic was consented to; the clinic's form says so
    measurement, _ = measure_into(
        kept,
        visit,
        path,
        movement=upload.movement,
        side=upload.side,  # type: ignore[arg-type]
        mirrored=upload.mirrored,
        pain=PainAsked(at_rest=at_rest),
        consent=True,
        on_progress=tell,
        write_beside=partial(_write_playable, tell=tell),
    )
    kept.set_upload(upload.id, state="sent")
    return _how_many(measurement)


def _measure_again(kept: ClinicStore, job: Job, tell: OnProgress) -> str:
    """Measure a recording of the records once more, with the landmarks of this version and the corrections in effect."""
    from vision_rom.report.document import reading_document
    from vision_rom.report.folder import staged, write_reading_files
    from vision_rom.web.again import find_again, measured_now
    from vision_rom.web.proxy import PROXY_NAME

    clip = _clip(kept, job)
    find_again(kept, clip, tell)
    measurement = measured_now(kept, clip)
    tell("writing", None)
    results = kept.results_of(clip)
    with staged(results) as stage:
        write_reading_files(measurement, stage)
        if not (results / PROXY_NAME).is_file():
            _write_playable(measurement, stage, tell=tell)
    kept.store_measured_again(clip, reading_document(measurement))
    return _how_many(measurement)


def _write_playable(measurement: Measurement, folder: Path, *, tell: OnProgress) -> None:
    """Write a copy that browsers play, where they do not play the recording itself."""
    from vision_rom.web.proxy import PROXY_NAME, plays_as_it_is, write_playable

    if plays_as_it_is(measurement.clip):
        return
    write_playable(
        measurement.clip.path,
        folder / PROXY_NAME,
        mirrored=bool(measurement.parameters.get("mirrored", False)),
        time_factor=measurement.clip.time_factor,
        rate_hz=measurement.parameters["rate_hz"],  # type: ignore[arg-type]
        on_progress=lambda share: tell("making a copy that browsers play", share),
    )


def _how_many(measurement: Measurement) -> str:
    statuses = [one.status for one in measurement.readings] + [one.status for one in measurement.places]
    return f"{statuses.count('measured')} measured of {len(statuses)}"


def visit_of(kept: ClinicStore, upload: Upload) -> tuple[Visit, float]:
    """Return the visit that a recording belongs to, made for a patient at home, and the pain at rest (NaN unknown)."""
    if upload.visit_id is not None:
        return kept.visit(upload.visit_id), float("nan")
    assert upload.run_id is not None
    run = kept.run(upload.run_id)
    if run.visit_id is None:
        task = kept.task(run.task_id)
        visit = kept.add_visit(Visit(task.patient_id, run.created_at[:10], examiner="the patient, at home"))
        kept.set_run(run, visit_id=visit.id)
        return visit, run.pain_at_rest
    return kept.visit(run.visit_id), run.pain_at_rest


def _draw(kept: ClinicStore, job: Job, tell: OnProgress) -> str:
    """Draw the pictures of a corrected recording anew."""
    from vision_rom.report.folder import staged, write_reading_files
    from vision_rom.web.again import measured_now

    clip = _clip(kept, job)
    tell("drawing", None)
    with staged(kept.results_of(clip)) as stage:
        write_reading_files(measured_now(kept, clip), stage)
    return ""


def _annotate(kept: ClinicStore, job: Job, tell: OnProgress) -> str:
    from vision_rom.report.video import write_annotated_clip
    from vision_rom.web.again import measured_now

    clip = _clip(kept, job)
    folder = kept.results_of(clip)
    measurement = measured_now(kept, clip)
    write_annotated_clip(measurement, folder / "annotated.mp4", on_frame=lambda share: tell("drawing", share))
    return "annotated.mp4 is ready"


def _clip(kept: ClinicStore, job: Job) -> Clip:
    assert job.clip_id is not None
    return kept.clip(job.clip_id)


def _end_with_server() -> None:
    def leave(*_: object) -> None:
        # through the work's own cleaning up: half a result and the process that takes a file in go too
        raise SystemExit(GONE)

    def wait() -> None:
        # not through sys.stdin, whose lock a thread that waits would hold when the work ends
        while os.read(0, 64):
            pass
        os.kill(os.getpid(), signal.SIGTERM)
        time.sleep(LONGEST_CLEANING_S)
        os._exit(GONE)

    signal.signal(signal.SIGTERM, leave)
    threading.Thread(target=wait, daemon=True).start()


if __name__ == "__main__":
    _end_with_server()
    sys.exit(exit_code_of(ServeSettings(Path(sys.argv[1])), int(sys.argv[2])))
