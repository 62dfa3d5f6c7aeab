"""The commands that ``run.py`` disturbs, each with what lies there before it runs."""

from __future__ import annotations

import asyncio
import json
import shutil
import sqlite3
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from vision_rom.cli import main as command_line
from vision_rom.errors import OutputError, VisionRomError
from vision_rom.measure import measure
from vision_rom.pain.recorded import PainAsked
from vision_rom.readings import measure_landmarks
from vision_rom.records import Patient, Records, Visit
from vision_rom.records.database import FILE_NAME
from vision_rom.records.measuring import measure_into
from vision_rom.report.document import reading_document
from vision_rom.report.folder import staged, write_reading_files
from vision_rom.research.batch import run_batch
from vision_rom.research.landmark_files import own_json, read_landmarks
from vision_rom.research.manifest import items_of
from vision_rom.research.settings import BatchSettings
from vision_rom.web.settings import ServeSettings
from vision_rom.web.store import ClinicStore

SAMPLES = Path(__file__).resolve().parents[3] / "sample_clips"
CLIP = "demo_abduction_right.mp4"
BOARD = SAMPLES.parent / "calibration" / "examples" / "board_wide.mp4"
PROFILE = SAMPLES.parent / "calibration" / "profiles" / "example_normal.camera.toml"
RATE_HZ = "10"


def _nothing_refused(stderr: str) -> bool:
    return False


@dataclass(frozen=True, slots=True)
class FaultCase:
    """A command, and what it starts from."""

    name: str
    prepare: Callable[[Path, Path], None]
    """Fills the folder, from the folder of :func:`prepared_landmarks`"""
    command: Callable[[Path], None]
    """Runs in the folder; ends by ``SystemExit`` or returns"""
    whole_folders: tuple[str, ...] = ()
    """Result folders that must never hold files of two runs"""
    again_may_refuse: Callable[[str], bool] = _nothing_refused
    """Whether this sentence of a second run is right, as "there is such a patient already" after the first came through"""
    adds: bool = False
    """A second run adds something, and rightly leaves other rows than one run does"""


def prepared_landmarks(folder: Path) -> Path:
    """Measure the sample once with the networks; every case takes its landmarks from here."""
    if not (folder / "plain.reading").is_dir():
        folder.mkdir(parents=True, exist_ok=True)
        found = measure(
            SAMPLES / CLIP, movement="abduction", side="right", rate_hz=float(RATE_HZ), cache=folder / "cache"
        )
        measure(SAMPLES / CLIP, movement="abduction", side="right", cache=folder / "cache")
        text = json.dumps(own_json(found.track))
        (folder / "a.json").write_text(text, encoding="utf-8")
        with staged(folder / "plain.reading") as stage:
            write_reading_files(found, stage)
    return folder


def said(*words: str) -> Callable[[Path], None]:
    """Return the command line as a command."""

    def command(_: Path) -> None:
        sys.argv = ["vision-rom", *words]
        command_line()

    return command


def ours(work: Callable[[Path], Any]) -> Callable[[Path], None]:
    """Return a call of our own as a command that ends as the command line does."""

    def command(here: Path) -> None:
        try:
            work(here)
        except VisionRomError as error:
            sys.stderr.write(f"vision-rom: {error}\n")
            raise SystemExit(error.exit_code) from None

    return command


def _clip(here: Path, kept: Path) -> None:
    shutil.copy(SAMPLES / CLIP, here / "clip.mp4")
    shutil.copytree(kept / "cache", here / "cache")


def _measured_before(here: Path, kept: Path) -> None:
    _clip(here, kept)
    shutil.copytree(kept / "plain.reading", here / "clip.reading")
    (here / "clip.reading" / "a note of mine.txt").write_text("keep me", encoding="utf-8")


def _patient(here: Path, kept: Path) -> None:
    _clip(here, kept)
    with Records(here / "records") as records:
        patient = records.add_patient(Patient("p-1", 1971, "female", "right"), name="Imagined Person")
        records.add_visit(Visit(patient.id, "2026-03-02"))


def _measured_visit(here: Path, kept: Path) -> None:
    _patient(here, kept)
    clip, track = read_landmarks(kept / "a.json")
    measurement = measure_landmarks(clip, track, movement="abduction", side="right")
    with Records(here / "records") as records:
        visit = records.visit(1)
        results = records.folder_of(visit) / "clip.reading"
        shutil.copytree(kept / "plain.reading", results)
        records.store_document(visit, reading_document(measurement), path=(here / "clip.mp4").resolve(), consent=True)


def _cached_visit(here: Path, kept: Path) -> None:
    _patient(here, kept)
    results = here / "records" / "patients" / "p-1" / "visit-1" / "clip.reading"
    shutil.copytree(kept / "cache", results)


MARK = {"kind": "pain", "marks": [[3.0, 4.0, 5.0]], "none": False}


def _visit_as_measured(here: Path, kept: Path) -> None:
    """Measure into the visit as the command does, with the landmarks and all that the pages ask for."""
    _cached_visit(here, kept)
    with ClinicStore(here / "records") as store:
        recording = (here / "clip.mp4").resolve()
        asked = PainAsked(none=True)
        measure_into(store, store.visit(1), recording, movement="abduction", side="right", pain=asked, consent=True)
    (here / VISIT / "clip.reading" / "a note of mine.txt").write_text("keep me", encoding="utf-8")


def _to_be_measured_again(here: Path, kept: Path) -> None:
    """Leave a correction of which nothing was made yet, so that measuring again changes rows and files."""
    _visit_as_measured(here, kept)
    with ClinicStore(here / "records") as store:
        store.add_job("measure", clip_id=1)
        with sqlite3.connect(store.folder / FILE_NAME) as connection:
            connection.execute(
                "INSERT INTO correction (clip_id, what, who, created_at) VALUES (1, ?, 'me', '2026-03-02')",
                (json.dumps(MARK),),
            )


def _work_of_the_pages(here: Path) -> None:
    from vision_rom.web.job import exit_code_of

    code = exit_code_of(ServeSettings(here / "records"), 1)
    if code:
        raise SystemExit(code)
    with ClinicStore(here / "records") as store:
        job = store.job(1)
    if job.state != "done":
        raise OutputError(job.message)


def _correct(here: Path) -> None:
    from vision_rom.web.again import measured_now

    with ClinicStore(here / "records") as store:
        clip = store.clip(1)
        if not store.corrections(clip):
            store.correct(clip, MARK, reading_document(measured_now(store, clip, [MARK])))


def _board(here: Path, kept: Path) -> None:
    shutil.copy(BOARD, here / "board.mp4")
    # of another camera: it must stay until the new one is whole
    shutil.copy(PROFILE, here / "board.camera.toml")


def _bundle(here: Path, kept: Path) -> None:
    from vision_rom.visit_report.content import visit_content
    from vision_rom.visit_report.fhir import bundle_of

    _measured_visit(here, kept)
    with Records(here / "records") as records:
        bundle = bundle_of(visit_content(records, records.visit(1)))
        (here / "bundle.json").write_text(json.dumps(bundle), encoding="utf-8")
        records.add_visit(Visit(1, "2026-04-02"))


def _list(here: Path, kept: Path) -> None:
    for name in ("a", "b"):
        shutil.copy(kept / "a.json", here / f"{name}.json")
    (here / "list.csv").write_text(
        "clip,movement,side\na.json,abduction,right\nb.json,abduction,right\n", encoding="utf-8"
    )


def _batch(here: Path) -> None:
    root, items = items_of(here / "list.csv")
    settings = BatchSettings("full", 30.0, None, None, "both", ("c3d", "jsonl"), 0)
    run_batch(root, items, here / "run", settings, workers=0)


def _run(here: Path, kept: Path) -> None:
    _list(here, kept)
    _batch(here)
    (here / "reference.csv").write_text("clip,reference_deg\na.json,88\nb.json,90\n", encoding="utf-8")


def _upload(here: Path, kept: Path) -> None:
    _patient(here, kept)
    settings = ServeSettings(here / "records", least_free_bytes=0)
    with ClinicStore(settings.folder) as store:
        upload = store.add_upload(
            name="clip.mp4", size=(here / "clip.mp4").stat().st_size, visit_id=1, movement="abduction", side="right"
        )
        (here / "name").write_text(upload.id, encoding="utf-8")


def _receive(here: Path) -> None:
    from fastapi import HTTPException, Request

    from vision_rom.errors import refused_by_the_machine
    from vision_rom.web.receiving import append

    settings = ServeSettings(here / "records", least_free_bytes=0)
    name = (here / "name").read_text(encoding="utf-8")
    content = (here / "clip.mp4").read_bytes()
    place = settings.receiving / name
    have = place.stat().st_size if place.exists() else 0

    app = SimpleNamespace(state=SimpleNamespace(receiving=set()))

    async def coming() -> None:
        pieces = [content[at : at + 50_000] for at in range(have, len(content), 50_000)]

        async def receive() -> dict[str, object]:
            return {"type": "http.request", "body": pieces.pop(0) if pieces else b"", "more_body": bool(pieces)}

        scope = {"type": "http", "method": "PATCH", "headers": [(b"upload-offset", str(have).encode())], "app": app}
        with ClinicStore(settings.folder) as store:
            upload = store.upload(name)
            if upload.state != "receiving":
                return
            if await append(Request(scope, receive), settings, upload) == upload.size:
                store.hand_on(upload, was="receiving", becomes="received", work="measure")

    try:
        asyncio.run(coming())
    except HTTPException as error:
        raise OutputError(str(error.detail)) from None
    except (OSError, MemoryError, sqlite3.Error) as error:
        # as at the edge of the pages
        raise refused_by_the_machine(error) from None


def _already(stderr: str) -> bool:
    return "already" in stderr


def _gone(stderr: str) -> bool:
    return "There is no patient" in stderr


def _empty(here: Path, kept: Path) -> None:
    (here / "out").mkdir()


MEASURE = ("measure", "clip.mp4", "--movement", "abduction", "--side", "right", "--rate", RATE_HZ, "--cache", "cache")
IN = ("--records", "records")
VISIT = "records/patients/p-1/visit-1"

CASES = (
    FaultCase("measure", _clip, said(*MEASURE), ("clip.reading",)),
    FaultCase("measure again", _measured_before, said(*MEASURE, "--age", "54", "--no-pain"), ("clip.reading",)),
    FaultCase("measure --video", _clip, said(*MEASURE, "--video"), ("clip.reading",)),
    FaultCase("patient add", lambda here, kept: None, said("patient", "add", "p-1", "--name", "N", *IN), (), _already),
    FaultCase("visit add", _patient, said("visit", "add", "p-1", "--on", "2026-04-01", *IN), adds=True),
    FaultCase(
        "visit measure",
        _cached_visit,
        said("visit", "measure", "1", "clip.mp4", "--movement", "abduction", "--side", "right", *IN),
        (f"{VISIT}/clip.reading",),
        adds=True,
    ),
    FaultCase("reading accept", _measured_visit, said("reading", "accept", "1", *IN), adds=True),
    FaultCase("visit report", _measured_visit, said("visit", "report", "1", *IN)),
    FaultCase("visit import", _bundle, said("visit", "import", "2", "bundle.json", *IN), adds=True),
    FaultCase("patient export", _measured_visit, said("patient", "export", "p-1", "--out", "p.json", *IN)),
    FaultCase("patient delete", _measured_visit, said("patient", "delete", "p-1", "--yes", *IN), (), _gone),
    FaultCase("batch", _list, ours(_batch)),
    FaultCase("agree", _run, said("agree", "reference.csv", "--run", "run")),
    FaultCase("camera sheets", _empty, said("camera", "sheets", "out")),
    FaultCase("camera calibrate", _board, said("camera", "calibrate", "board.mp4", "--replace")),
    FaultCase("a recording comes in", _upload, ours(_receive)),
    FaultCase("a correction of the pages", _visit_as_measured, ours(_correct)),
    FaultCase(
        "measure again from the pages",
        _to_be_measured_again,
        ours(_work_of_the_pages),
        (f"{VISIT}/clip.reading",),
        # a line in the audit trail
        adds=True,
    ),
)
