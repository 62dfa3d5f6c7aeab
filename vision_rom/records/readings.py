"""Readings of recordings: stored, reviewed, corrected. A reading that was reviewed never changes; a new version stands beside it."""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from vision_rom.errors import UsageError
from vision_rom.records.database import now
from vision_rom.records.kept import Kept, made, one_of
from vision_rom.records.model import Clip, History, Patient, Review, StoredReading, Visit, interval_of

_READING = """
SELECT reading.*, clip.visit_id AS visit_id, visit.date AS visit_date FROM reading
JOIN clip ON clip.id = reading.clip_id JOIN visit ON visit.id = clip.visit_id
"""
_NEWEST = " AND NOT EXISTS (SELECT 1 FROM reading later WHERE later.supersedes = reading.id)"


class Readings(Kept):
    """Recordings and their readings."""

    def clip(self, number: int) -> Clip:
        """Return a recording; raises UsageError where there is none."""
        row = self._one("SELECT * FROM clip WHERE id = ?", number)
        if row is None:
            raise UsageError(f"There is no recording {number}.")
        return _clip(row)

    def clips(self, patient: Patient) -> tuple[Clip, ...]:
        """Return every recording of a patient."""
        rows = self._connection.execute(
            "SELECT clip.* FROM clip JOIN visit ON visit.id = clip.visit_id WHERE visit.patient_id = ? ORDER BY clip.id",
            (patient.id,),
        ).fetchall()
        return tuple(_clip(row) for row in rows)

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
            stored = [self._store_reading(clip, {**document, "readings": [one]}) for one in document["readings"]]
        return tuple(self.reading(number) for number in stored)

    def _store_reading(self, clip_id: int, document: dict[str, Any]) -> int:
        newest = self._newest(clip_id, document)
        if newest is not None and newest.document == document:
            return newest.id
        return self._insert_reading(clip_id, document, newest, review="unreviewed")

    def _newest(self, clip_id: int, document: dict[str, Any]) -> StoredReading | None:
        """Return the newest version of the one reading that a document holds."""
        [reading] = document["readings"]
        row = self._one(
            _READING + "WHERE clip_id = ? AND movement = ? AND side = ? ORDER BY version DESC LIMIT 1",
            clip_id, reading["movement"], reading["side"],
        )  # fmt: skip
        return None if row is None else _reading(row)

    def _insert_reading(
        self,
        clip_id: int,
        document: dict[str, Any],
        before: StoredReading | None,
        *,
        review: Review,
        note: str | None = None,
    ) -> int:
        """Store the one reading that a document holds as the version after ``before``."""
        [reading] = document["readings"]
        reviewed = review != "unreviewed"
        cursor = self._connection.execute(
            "INSERT INTO reading (clip_id, movement, side, version, document, review, reviewed_by, reviewed_at, note, supersedes, "
            "created_at) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                clip_id, reading["movement"], reading["side"], 1 if before is None else before.version + 1,
                json.dumps(document, ensure_ascii=False, sort_keys=True), review,
                self.who if reviewed else None, now() if reviewed else None, note,
                None if before is None else before.id, now(),
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

    def review(self, reading: StoredReading, review: Review, *, note: str | None = None) -> StoredReading:
        """Accept or reject a reading; one that was reviewed before stays, and a new version carries the new review."""
        one_of("review", review, ("accepted", "rejected"))
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
        if reading.marked:
            raise UsageError(
                f"Reading {reading.id} rests on marks in pictures; measure the recording again with the marks that shall count."
            )
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
        newest = self._newest(reading.clip_id, document)
        return self._insert_reading(reading.clip_id, document, newest, review=review, note=note)

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


def _clip(row: sqlite3.Row) -> Clip:
    return made(Clip, row, consent=bool(row["consent"]))


def _reading(row: sqlite3.Row) -> StoredReading:
    return made(StoredReading, row, document=json.loads(row["document"]))
