"""Everything that is done with the records; every change is one transaction and one line of the audit trail."""

from __future__ import annotations

import json
import math
import shutil
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from datetime import date as calendar_date
from pathlib import Path
from typing import Any, Self, get_args

from vision_rom.errors import OutputError, UsageError
from vision_rom.records.change import repeatability_mdc95_deg
from vision_rom.records.database import in_a_sentence, integrity, now, open_database, transaction
from vision_rom.records.model import (
    Clip,
    Episode,
    History,
    Motion,
    Patient,
    Position,
    Review,
    Sex,
    StoredReading,
    Visit,
    interval_of,
)

_READING = """
SELECT reading.*, clip.visit_id AS visit_id, visit.date AS visit_date FROM reading
JOIN clip ON clip.id = reading.clip_id JOIN visit ON visit.id = clip.visit_id
"""
_NEWEST = " AND NOT EXISTS (SELECT 1 FROM reading later WHERE later.supersedes = reading.id)"


class Records:
    """The records in one folder. Use as a context manager; ``who`` is noted with every change."""

    def __init__(self, folder: Path, *, who: str = "unknown") -> None:
        self.folder = folder
        self.who = who
        self._connection = open_database(folder)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the database."""
        self._connection.close()

    def integrity(self) -> str:
        """Return ``ok``, or what is wrong."""
        return integrity(self._connection)

    # --- patients, episodes, visits -------------------------------------------------------------------------------

    def add_patient(self, patient: Patient, *, name: str | None = None) -> Patient:
        """Add a patient; raises UsageError where the code is taken or a value is not allowed."""
        # the code names a folder, which is removed with the patient: ".." would take everything along
        usable = patient.code.isprintable() and not patient.code.startswith(".")
        if not patient.code.strip() or not usable or any(sign in patient.code for sign in "/\\"):
            raise UsageError(f"'{patient.code}' cannot be a patient's code; use letters, digits and dashes.")
        _one_of("sex", patient.sex, get_args(Sex))
        if patient.birth_year is not None and not 1900 <= patient.birth_year <= calendar_date.today().year:
            raise UsageError(f"The year of birth cannot be {patient.birth_year}.")
        if self._one("SELECT 1 FROM patient WHERE code = ?", patient.code):
            raise UsageError(f"There is a patient '{patient.code}' already; choose another code.")
        with self._changing(f"added patient {patient.code}"):
            self._insert("patient", patient, without=("id",))
            if name:
                self._connection.execute(
                    "INSERT INTO patient_name SELECT id, ? FROM patient WHERE code = ?", (name, patient.code)
                )
        return self.patient(patient.code)

    def patient(self, code: str) -> Patient:
        """Return a patient by code; raises UsageError where there is none."""
        row = self._one("SELECT * FROM patient WHERE code = ?", code)
        if row is None:
            raise UsageError(
                f"There is no patient '{code}' in '{self.folder}'; list them with 'vision-rom patient list'."
            )
        return Patient(**{name: row[name] for name in Patient.__dataclass_fields__})

    def patients(self) -> tuple[Patient, ...]:
        """Return all patients by code."""
        rows = self._connection.execute("SELECT * FROM patient ORDER BY code").fetchall()
        return tuple(Patient(**{name: row[name] for name in Patient.__dataclass_fields__}) for row in rows)

    def name_of(self, patient: Patient) -> str | None:
        """Return the name that is kept apart, if any."""
        row = self._one("SELECT name FROM patient_name WHERE patient_id = ?", patient.id)
        return None if row is None else str(row["name"])

    def add_episode(self, episode: Episode) -> Episode:
        """Add a complaint of a patient."""
        _one_of("side", episode.side, ("left", "right", "both"))
        for day in (episode.onset_date, episode.surgery_date):
            _check_date(day)
        with self._changing(f"added an episode to patient number {episode.patient_id}"):
            number = self._insert("episode", episode, without=("id",))
        return Episode(**{**asdict(episode), "id": number})

    def episodes(self, patient: Patient) -> tuple[Episode, ...]:
        """Return a patient's complaints, oldest first."""
        rows = self._connection.execute(
            "SELECT * FROM episode WHERE patient_id = ? ORDER BY id", (patient.id,)
        ).fetchall()
        return tuple(Episode(**{name: row[name] for name in Episode.__dataclass_fields__}) for row in rows)

    def add_visit(self, visit: Visit, *, findings: Sequence[dict[str, Any]] = ()) -> Visit:
        """Add a visit of a patient."""
        _check_date(visit.date)
        _one_of("position", visit.position, get_args(Position))
        _one_of("motion", visit.motion, get_args(Motion))
        with self._changing(f"added a visit on {visit.date} to patient number {visit.patient_id}"):
            number = self._insert("visit", visit, without=("id",), findings=json.dumps(list(findings)))
        return Visit(**{**asdict(visit), "id": number})

    def visit(self, number: int) -> Visit:
        """Return a visit by its number; raises UsageError where there is none."""
        row = self._one("SELECT * FROM visit WHERE id = ?", number)
        if row is None:
            raise UsageError(f"There is no visit {number} in '{self.folder}'.")
        return Visit(**{name: row[name] for name in Visit.__dataclass_fields__})

    def visits(self, patient: Patient) -> tuple[Visit, ...]:
        """Return a patient's visits, oldest first."""
        rows = self._connection.execute(
            "SELECT * FROM visit WHERE patient_id = ? ORDER BY date, id", (patient.id,)
        ).fetchall()
        return tuple(Visit(**{name: row[name] for name in Visit.__dataclass_fields__}) for row in rows)

    def patient_of(self, visit: Visit) -> Patient:
        """Return whose visit it is."""
        row = self._one("SELECT code FROM patient WHERE id = ?", visit.patient_id)
        assert row is not None
        return self.patient(str(row["code"]))

    def findings(self, visit: Visit) -> list[dict[str, Any]]:
        """Return the examiner's findings of a visit as plain tables."""
        row = self._one("SELECT findings FROM visit WHERE id = ?", visit.id)
        found: list[dict[str, Any]] = json.loads(row["findings"]) if row is not None else []
        return found

    # --- recordings and readings ----------------------------------------------------------------------------------

    def folder_of(self, visit: Visit) -> Path:
        """Return where the results of a visit lie."""
        return self.folder / "patients" / self.patient_of(visit).code / f"visit-{visit.id}"

    def store_document(
        self, visit: Visit, document: dict[str, Any], *, path: Path, consent: bool
    ) -> tuple[StoredReading, ...]:
        """Store every reading of one recording's document; storing the same one again changes nothing."""
        sha256 = document["clip"]["sha256"]
        with self._changing(f"stored the readings of {document['clip']['file']} in visit {visit.id}"):
            row = self._one("SELECT id FROM clip WHERE visit_id = ? AND sha256 = ?", visit.id, sha256)
            clip = (
                int(row["id"])
                if row is not None
                else self._insert(
                    "clip", Clip(visit.id, sha256, str(path), consent), without=("id",), consent=int(consent)
                )
            )
            stored = [self._store_reading(clip, document, reading) for reading in document["readings"]]
        return tuple(self.reading(number) for number in stored)

    def _store_reading(self, clip: int, document: dict[str, Any], reading: dict[str, Any]) -> int:
        text = json.dumps({**document, "readings": [reading]}, ensure_ascii=False, sort_keys=True)
        newest = self._one(
            "SELECT * FROM reading WHERE clip_id = ? AND movement = ? AND side = ? ORDER BY version DESC LIMIT 1",
            clip, reading["movement"], reading["side"],
        )  # fmt: skip
        if newest is not None and newest["document"] == text:
            return int(newest["id"])
        return self._insert_reading(clip, reading, text, newest, review="unreviewed")

    def _insert_reading(
        self,
        clip: int,
        reading: dict[str, Any],
        text: str,
        before: sqlite3.Row | None,
        *,
        review: Review,
        note: str | None = None,
    ) -> int:
        reviewed = review != "unreviewed"
        cursor = self._connection.execute(
            "INSERT INTO reading (clip_id, movement, side, version, document, review, reviewed_by, reviewed_at, note, supersedes, "
            "created_at) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                clip, reading["movement"], reading["side"], 1 if before is None else before["version"] + 1, text, review,
                self.who if reviewed else None, now() if reviewed else None, note,
                None if before is None else before["id"], now(),
            ),
        )  # fmt: skip
        return int(cursor.lastrowid or 0)

    def reading(self, number: int) -> StoredReading:
        """Return a reading by its number; raises UsageError where there is none."""
        row = self._one(_READING + "WHERE reading.id = ?", number)
        if row is None:
            raise UsageError(f"There is no reading {number} in '{self.folder}'.")
        return _reading(row)

    def readings(self, visit: Visit) -> tuple[StoredReading, ...]:
        """Return the newest version of every reading of a visit."""
        rows = self._connection.execute(
            _READING + "WHERE clip.visit_id = ?" + _NEWEST + " ORDER BY reading.id", (visit.id,)
        ).fetchall()
        return tuple(_reading(row) for row in rows)

    def versions(self, reading: StoredReading) -> tuple[StoredReading, ...]:
        """Return all versions of a reading, oldest first."""
        rows = self._connection.execute(
            _READING + "WHERE clip_id = ? AND movement = ? AND side = ? ORDER BY version",
            (reading.clip_id, reading.movement, reading.side),
        ).fetchall()
        return tuple(_reading(row) for row in rows)

    def histories(self, patient: Patient) -> tuple[History, ...]:
        """Return the readings that count of each movement and side, in order of their visits."""
        rows = self._connection.execute(
            _READING + "WHERE visit.patient_id = ?" + _NEWEST + " ORDER BY visit.date, visit.id, reading.id",
            (patient.id,),
        ).fetchall()
        found: dict[tuple[str, str], list[StoredReading]] = {}
        for row in rows:
            one = _reading(row)
            if one.measured:
                found.setdefault((one.movement, one.side), []).append(one)
        return tuple(History(movement, side, tuple(of)) for (movement, side), of in sorted(found.items()))

    def repeatability_deg(self, movement: str) -> float | None:
        """Return the MDC95 of this clinic's own test and retest: people with two visits on one day; None with fewer than ten."""
        pairs = []
        for patient in self.patients():
            for history in self.histories(patient):
                by_day: dict[str, list[StoredReading]] = {}
                for one in history.readings if history.movement == movement else ():
                    by_day.setdefault(one.visit_date, []).append(one)
                twice = [day for day in by_day.values() if len({one.visit_id for one in day}) > 1]
                if twice:
                    # one pair a person: several of one person are not independent
                    pairs.append((twice[0][0].held_deg, twice[0][-1].held_deg))
                    break
        return repeatability_mdc95_deg(pairs)

    def review(self, reading: StoredReading, review: Review, *, note: str | None = None) -> StoredReading:
        """Accept or reject a reading; one that was reviewed before stays, and a new version carries the new review."""
        _one_of("review", review, ("accepted", "rejected"))
        with self._changing(f"{review} reading {reading.id}"):
            if reading.review == "unreviewed":
                self._connection.execute(
                    "UPDATE reading SET review = ?, reviewed_by = ?, reviewed_at = ?, note = ? WHERE id = ?",
                    (review, self.who, now(), note, reading.id),
                )
                number = reading.id
            else:
                number = self._new_version(reading, reading.document, review=review, note=note)
        return self.reading(number)

    def without_repetitions(
        self, reading: StoredReading, numbers: Sequence[int], *, note: str | None = None
    ) -> StoredReading:
        """Leave repetitions (counted from 1) out of a reading: a corrected version beside the old one.

        Raises
        ------
        UsageError
            There is no such repetition, or none would be left; reject the reading then.

        """
        repetitions = reading.reading["repetitions"]
        wrong = [number for number in numbers if not 1 <= number <= len(repetitions)]
        if wrong or not numbers:
            raise UsageError(
                f"Reading {reading.id} has the repetitions 1 to {len(repetitions)}, not {wrong or 'none'}."
            )
        kept = [one for number, one in enumerate(repetitions, 1) if number not in numbers]
        if not kept:
            raise UsageError(f"No repetition of reading {reading.id} would be left; reject the reading instead.")
        corrected = corrected_reading(reading.reading, kept)
        document = {**reading.document, "readings": [corrected]}
        with self._changing(f"left repetitions {', '.join(map(str, numbers))} out of reading {reading.id}"):
            number = self._new_version(reading, document, review="corrected", note=note)
        return self.reading(number)

    def _new_version(
        self, reading: StoredReading, document: dict[str, Any], *, review: Review, note: str | None
    ) -> int:
        newest = self._one(
            "SELECT * FROM reading WHERE clip_id = ? AND movement = ? AND side = ? ORDER BY version DESC LIMIT 1",
            reading.clip_id, reading.movement, reading.side,
        )  # fmt: skip
        text = json.dumps(document, ensure_ascii=False, sort_keys=True)
        return self._insert_reading(reading.clip_id, document["readings"][0], text, newest, review=review, note=note)

    def clips(self, patient: Patient) -> tuple[Clip, ...]:
        """Return every recording of a patient."""
        rows = self._connection.execute(
            "SELECT clip.* FROM clip JOIN visit ON visit.id = clip.visit_id WHERE visit.patient_id = ? ORDER BY clip.id",
            (patient.id,),
        ).fetchall()
        return tuple(Clip(row["visit_id"], row["sha256"], row["path"], bool(row["consent"]), row["id"]) for row in rows)

    # --- whole patients -------------------------------------------------------------------------------------------

    def export_patient(self, patient: Patient) -> dict[str, Any]:
        """Return everything that is kept of a patient as plain values."""
        visits = self.visits(patient)
        return {
            "patient": asdict(patient) | {"name": self.name_of(patient)},
            "episodes": [asdict(one) for one in self.episodes(patient)],
            "visits": [
                asdict(one)
                | {
                    "findings": self.findings(one),
                    "readings": [
                        asdict(version) for reading in self.readings(one) for version in self.versions(reading)
                    ],
                }
                for one in visits
            ],
            # where on this machine they lie is nobody's business who reads the export
            "recordings": [asdict(one) | {"path": Path(one.path).name} for one in self.clips(patient)],
        }

    def delete_patient(self, patient: Patient, *, recordings: bool = True) -> tuple[Path, ...]:
        """Delete a patient with rows, results, cached landmarks and, unless kept, the recordings; return what was not found.

        Files go first: should the computer stop in between, the rows are still there to delete again. What remains is one
        line of the audit trail, without code or name.
        """
        missing = []
        for clip in self.clips(patient) if recordings else ():
            path = Path(clip.path)
            # a name without a folder came with an imported bundle: no recording of ours, whatever lies under that name here
            if path.is_absolute() and path.is_file():
                path.unlink()
            else:
                missing.append(path)
        results = self.folder / "patients" / patient.code
        # a code such as ".." from before it was refused must not take the records of everybody along
        if patient.code not in (".", "..") and results.exists():
            shutil.rmtree(results)
        with self._changing("deleted a patient wholly"):
            self._connection.execute("DELETE FROM patient WHERE id = ?", (patient.id,))
            # earlier lines name the code; they go too, and the trigger that keeps the trail is lifted for them alone
            self._connection.execute("DROP TRIGGER audit_stays")
            self._connection.execute(
                "UPDATE audit SET what = 'removed with its patient' WHERE what LIKE ? OR what LIKE ?",
                (f"%patient {patient.code}%", f"%patient number {patient.id}"),
            )
            self._connection.execute(
                "CREATE TRIGGER audit_stays BEFORE UPDATE ON audit "
                "BEGIN SELECT RAISE (ABORT, 'the audit trail never changes'); END"
            )
        # freed pages and the write-ahead log still hold what was deleted
        try:
            self._connection.execute("VACUUM")
            busy = self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]
        except sqlite3.Error as error:
            raise in_a_sentence(error, self.folder) from error
        for backup in self.folder.glob("records.sqlite3.before-*"):
            backup.unlink()
        if busy:
            raise OutputError(
                f"The patient is deleted, but another program reads the records in '{self.folder}': what was deleted is still on the "
                "disk until it has closed them."
            )
        return tuple(missing)

    def audit(self) -> list[tuple[str, str, str]]:
        """Return the trail: when, who, what."""
        return [
            (row["at"], row["who"], row["what"]) for row in self._connection.execute("SELECT * FROM audit ORDER BY id")
        ]

    # --- beneath --------------------------------------------------------------------------------------------------

    @contextmanager
    def _changing(self, what: str) -> Iterator[None]:
        try:
            with transaction(self._connection):
                yield
                self._connection.execute("INSERT INTO audit (at, who, what) VALUES (?, ?, ?)", (now(), self.who, what))
        except sqlite3.IntegrityError as error:
            raise UsageError(f"The records in '{self.folder}' refuse this: {error}.") from error
        except sqlite3.Error as error:
            raise in_a_sentence(error, self.folder) from error

    def _one(self, query: str, *values: object) -> sqlite3.Row | None:
        row: sqlite3.Row | None = self._connection.execute(query, values).fetchone()
        return row

    def _insert(self, table: str, item: Any, *, without: Sequence[str] = (), **changed: object) -> int:
        values = {name: value for name, value in asdict(item).items() if name not in without} | changed
        values["created_at"] = now()
        names = ", ".join(values)
        marks = ", ".join("?" for _ in values)
        # table and columns are names of our own dataclasses, never a user's text
        cursor = self._connection.execute(f"INSERT INTO {table} ({names}) VALUES ({marks})", tuple(values.values()))
        return int(cursor.lastrowid or 0)


def corrected_reading(reading: dict[str, Any], kept: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Return a reading with only some of its repetitions: mean held value, largest peak, interval moved with the mean.

    The interval keeps its half-width at least: fewer repetitions never make a reading surer.
    """
    held = round(sum(one["held_deg"] for one in kept) / len(kept), 1)
    own, halves = _half(reading), [half for half in map(_half, kept) if math.isfinite(half)]
    # the mean of several holds is surer than one hold alone
    half = max([own, *([sum(halves) / len(halves)] if halves and len(kept) == 1 else [])])
    interval = None if math.isnan(half) else [round(held - half, 1), round(held + half, 1)]
    return {
        **reading,
        "repetitions": list(kept),
        "held_deg": held,
        "peak_deg": max(one["peak_deg"] for one in kept),
        "interval95_deg": interval,
    }


def _half(reading: dict[str, Any]) -> float:
    low, high = interval_of(reading)
    return (high - low) / 2


def _reading(row: sqlite3.Row) -> StoredReading:
    values = {name: row[name] for name in StoredReading.__dataclass_fields__}
    return StoredReading(**{**values, "document": json.loads(row["document"])})


def _one_of(name: str, value: object, allowed: Sequence[str]) -> None:
    if value not in allowed:
        raise UsageError(f"The {name} must be one of {', '.join(allowed)}, not {value!r}.")


def _check_date(text: str | None) -> None:
    if text is None:
        return
    try:
        calendar_date.fromisoformat(text)
    except ValueError as error:
        raise UsageError(f"'{text}' is no date; write it as 2026-11-25.") from error
