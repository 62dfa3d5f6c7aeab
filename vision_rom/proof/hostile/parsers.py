"""Every parser of ours as a function of bytes, from which nothing but our own errors may come.

Each target writes the bytes to a file, since a file is what a user hands over, reads it by the same function as the program
does, and then uses what came of it as the program would next: a value that only breaks later is a fault of the parser too.
"""

from __future__ import annotations

import base64
import json
import math
import shutil
import tempfile
import warnings
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from vision_rom.camera.profile import profile_text, read_profile
from vision_rom.errors import VisionRomError
from vision_rom.marked import parse_marks
from vision_rom.movements.catalogue import load_catalogue
from vision_rom.movements.sequences import read_sequence
from vision_rom.pain import marks_from_text
from vision_rom.recorded_pain import findings_in, marks_in
from vision_rom.records import Patient, Records, Visit
from vision_rom.report.document import read_document, to_json
from vision_rom.report.pain import finding_document
from vision_rom.research.landmark_files import LandmarkFacts, own_json, read_landmarks
from vision_rom.research.manifest import items_of, items_of_manifest_text, manifest_text
from vision_rom.research.reference import read_pairs
from vision_rom.synthetic.clip_description import read_description
from vision_rom.visit_report.chart_text import chart_text
from vision_rom.visit_report.content import visit_content
from vision_rom.visit_report.fhir import bundle_of, documents_in

Target = Callable[[bytes], None]
LANDMARK_FORMS = (".csv", ".json", ".txt", ".parquet")
_FIRST_FORM = ord("0")


@dataclass(frozen=True, slots=True)
class Parser:
    """One parser and what its files are made of."""

    run: Target
    words: tuple[str, ...]
    """Pieces of the form that chance would take long to find"""
    tree_from: int | None = None
    """Where its JSON begins, which is then changed as a tree too"""


@lru_cache
def _folder() -> Path:
    """A folder of this process, in memory where there is such a place."""
    memory = Path("/dev/shm")
    return Path(tempfile.mkdtemp(prefix="vision-rom-hostile-", dir=memory if memory.is_dir() else None))


def remove_folder() -> None:
    """Take the process's folder away."""
    shutil.rmtree(_folder(), ignore_errors=True)
    _folder.cache_clear()


def _file(data: bytes, name: str) -> Path:
    path = _folder() / name
    path.write_bytes(data)
    return path


def pain_table(data: bytes) -> None:
    """Pain marks of a table."""
    for mark in marks_in(_file(data, "a.pain.csv"), duration_s=10.0):
        assert 0 <= mark.start_s <= mark.end_s <= 10


def pain_typed(data: bytes) -> None:
    """Typed pain marks, one a line."""
    for mark in marks_from_text(data.decode("utf-8", "surrogateescape").split("\n"), duration_s=10.0):
        assert 0 <= mark.start_s <= mark.end_s <= 10


def arm_marks(data: bytes) -> None:
    """Elbows and shoulders marked in the picture, one a line."""
    for mark in parse_marks(data.decode("utf-8", "surrogateescape").split("\n")):
        assert math.isfinite(mark.time_s)
        assert mark.time_s >= 0
        assert all(map(math.isfinite, (*mark.elbow_px, *(mark.shoulder_px or ()))))


def findings(data: bytes) -> None:
    """An examiner's findings."""
    for finding in findings_in(_file(data, "findings.toml")):
        to_json(finding_document(finding)).encode()


def manifest(data: bytes) -> None:
    """A manifest of recordings: what was read is read again from what is written of it."""
    _, items = items_of(_file(data, "manifest.csv"))
    text = manifest_text(items)
    text.encode()
    assert items_of_manifest_text(text, "again") == items, "the manifest does not come back as it was"


def landmarks(data: bytes) -> None:
    """Landmark files; the first byte chooses the form."""
    form = LANDMARK_FORMS[(data[0] - _FIRST_FORM) % len(LANDMARK_FORMS)] if data else ".csv"
    facts = LandmarkFacts(rate_hz=30.0, width_px=600, height_px=800)
    clip, track = read_landmarks(_file(data[1:], f"landmarks{form}"), facts)
    assert math.isfinite(clip.duration_s)
    to_json(own_json(track))


def catalogue(data: bytes) -> None:
    """A joint file of the catalogue."""
    load_catalogue([_file(data, "joint.toml")])


def sequence(data: bytes) -> None:
    """An expected order of movements."""
    assert read_sequence(str(_file(data, "sequence.toml")))


def profile(data: bytes) -> None:
    """A camera's profile: what was read is read again from what is written of it."""
    found = read_profile(_file(data, "camera.toml"))
    assert read_profile(_file(profile_text(found).encode(), "again.toml")) == found


def fhir(data: bytes) -> None:
    """A FHIR bundle, as far as its reading documents."""
    documents_in(_file(data, "bundle.json"))


def reading(data: bytes) -> None:
    """A reading document."""
    to_json(read_document(_file(data, "reading.json"))).encode()


@lru_cache
def _records() -> tuple[Records, Patient]:
    kept = Records(_folder() / "records", who="tester")
    return kept, kept.add_patient(Patient("p-1", 1971, "female", "right"))


def records_import(data: bytes) -> None:
    """Documents in a bundle all the way: stored in a visit, and note and bundle made of them."""
    form = {"contentType": "application/json", "title": "readings", "data": base64.b64encode(data).decode()}
    report = {"resourceType": "DiagnosticReport", "status": "final", "code": {"text": "a"}, "presentedForm": [form]}
    bundle = {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": report}]}
    documents = documents_in(_file(json.dumps(bundle).encode(), "bundle.json"))
    kept, patient = _records()
    visit = kept.add_visit(Visit(patient.id, "2026-03-02"))
    try:
        for document in documents:
            kept.store_document(visit, document, path=Path("a.mp4"), consent=False)
        content = visit_content(kept, visit)
        chart_text(content).encode()
        bundle_of(content)
        to_json(kept.export_patient(patient)).encode()
    finally:
        # the next bytes must meet the same database
        kept._connection.execute("DELETE FROM visit WHERE id = ?", (visit.id,))


def reference(data: bytes) -> None:
    """A table of reference values beside readings."""
    pairs = read_pairs(_file(data, "reference.csv"))
    assert len(pairs.table)


def description(data: bytes) -> None:
    """A description of a clip to render; the first byte chooses TOML or JSON."""
    read_description(_file(data[1:], "clip.json" if data[:1] == b"1" else "clip.toml"))


_TOML = (
    "[[",
    "]]",
    "[",
    "]",
    " = ",
    '"',
    "'''",
    "\n",
    "true",
    "nan",
    "inf",
    "1e400",
    "2026-01-01",
    "07:00:00",
    "{",
    "}",
    ".",
)
_JSON = ("{", "}", "[", "]", ":", ",", '"', "null", "true", "NaN", "Infinity", "1e400", "\\ud800", "-0", "\\u0000")
_CSV = (",", '"', '""', "\n", "\r", "\t", "nan", "inf", "-", "1e400")

PARSERS: Mapping[str, Parser] = {
    "pain_table": Parser(pain_table, (*_CSV, "start_s", "end_s", "score")),
    "pain_typed": Parser(pain_typed, ("-", ":", ".", "\n", "3.2-4.6:5")),
    "arm_marks": Parser(arm_marks, ("right_elbow", "left_shoulder", "@", "=", ",", ".", "-", "\n", "7.4", "1e400")),
    "findings": Parser(findings, (*_TOML, "finding", "kind", "provocative test", "strength", "side", "left", "grade", "at_s", "score")),
    "manifest": Parser(manifest, (*_CSV, "clip", "mirrored", "time_factor", "person", "landmark_rate_hz", "side", "movement", "abduction")),
    "landmarks": Parser(
        landmarks,
        (*_JSON, "schema", "vision-rom/landmarks/1", "frames", "positions", "left_shoulder", "time_s", "frame_index", "x_px", "y_px",
         "landmark", "width_px", "visibility", "world_m", "score", "PAR1"),
        1,
    ),
    "catalogue": Parser(
        catalogue,
        (*_TOML, "joint", "movements", "norms", "norm_bands", "ages", "p50", "p5", "mean_age", "codes", "parts", "zones", "sources",
         "opposite", "physical_limits", "unit", "change_floor"),
    ),
    "sequence": Parser(sequence, (*_TOML, "step", "title", "movement", "abduction", "side", "both")),
    "profile": Parser(profile, (*_TOML, "format", "picture", "lens", "distortion", "quality", "width_px", "k1")),
    "fhir": Parser(fhir, (*_JSON, "resourceType", "Bundle", "DiagnosticReport", "presentedForm", "title", "readings", "data"), 0),
    "reading": Parser(reading, (*_JSON, "schema", "vision-rom/reading/1", "readings", "repetitions", "held_deg", "interval95_deg"), 0),
    "records_import": Parser(records_import, (*_JSON, "readings", "movement", "painful_arc", "repetitions", "view", "parameters"), 0),
    "reference": Parser(reference, (*_CSV, "reference_deg", "reading_deg", "clip", "subject", "movement", "repetition")),
    "description": Parser(description, (*_TOML, *_JSON, "picture", "people", "camera", "script")),
}  # fmt: skip


def tried(name: str, data: bytes) -> Exception | None:
    """Run one parser; return what came out of it that is no error of ours, else None."""
    with warnings.catch_warnings():
        # a warning on the screen says nothing to a clinician: what earns one is checked before
        warnings.simplefilter("error", RuntimeWarning)
        try:
            with suppress(VisionRomError):
                PARSERS[name].run(data)
        except Exception as error:  # noqa: BLE001 - this is what is looked for
            return error
    return None
