"""What the pages keep beside the records: accounts, sessions, tasks for home, recordings that come in, jobs, corrections."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

from vision_rom.records import Patient, Records, StoredReading
from vision_rom.records.database import now
from vision_rom.records.model import Clip
from vision_rom.web.accounts import Accounts
from vision_rom.web.tasks import Tasks
from vision_rom.web.work import Work

CORRECTED_AWAY, NOT_SEEN_AGAIN = "movement or side corrected", "not found when the recording was measured again"
NO_LONGER_READ = (CORRECTED_AWAY, NOT_SEEN_AGAIN)
"""Notes of a reading that nobody rejected, but that its recording does not give any more"""


class ClinicStore(Accounts, Tasks, Work, Records):
    """The records with what the pages keep; one for each request, for SQLite binds a connection to its thread."""

    def results_of(self, clip: Clip) -> Path:
        """Return the folder of a recording's results."""
        return self.results_folder(self.visit(clip.visit_id), Path(clip.path), clip.sha256)

    def readings_of(self, clip: Clip) -> tuple[StoredReading, ...]:
        """Return the newest readings of a recording."""
        return tuple(one for one in self.readings(self.visit(clip.visit_id)) if one.clip_id == clip.id)

    def to_review(self) -> tuple[StoredReading, ...]:
        """Return every newest reading that nobody has looked at."""
        rows = self._connection.execute(
            "SELECT id FROM reading WHERE review = 'unreviewed' AND NOT EXISTS "
            "(SELECT 1 FROM reading later WHERE later.supersedes = reading.id) ORDER BY id DESC"
        ).fetchall()
        return tuple(self.reading(int(row["id"])) for row in rows)

    def corrections(self, clip: Clip) -> tuple[dict[str, Any], ...]:
        """Return what was corrected and not undone, oldest first."""
        rows = self._connection.execute(
            "SELECT what FROM correction WHERE clip_id = ? AND undone = 0 ORDER BY id", (clip.id,)
        ).fetchall()
        return tuple(json.loads(row["what"]) for row in rows)

    def correct(self, clip: Clip, what: dict[str, Any] | None, document: dict[str, Any]) -> None:
        """Store a correction (None undoes the last one) with the readings that come of it, and queue new pictures, as one change.

        A reading that is no longer there is rejected; one that did not change keeps its review.
        """
        with self._changing(f"corrected recording {clip.id}" if what else f"undid a correction of recording {clip.id}"):
            if what is not None:
                self._connection.execute(
                    "INSERT INTO correction (clip_id, what, who, created_at) VALUES (?, ?, ?, ?)",
                    (clip.id, json.dumps(what), self.who, now()),
                )
            else:
                self._connection.execute(
                    "UPDATE correction SET undone = 1 WHERE id = (SELECT max(id) FROM correction WHERE clip_id = ? AND undone = 0)",
                    (clip.id,),
                )
            self._store_instead(clip, document, note=CORRECTED_AWAY)
            # in the same step: a kill in between would leave the pictures of before beside the new readings
            self.add_job("draw", clip_id=clip.id)

    def store_measured_again(self, clip: Clip, document: dict[str, Any]) -> None:
        """Store what a recording gave when it was measured again with its corrections, as :meth:`correct` does."""
        with self._changing(f"measured recording {clip.id} again"):
            self._store_instead(clip, document, note=NOT_SEEN_AGAIN)

    def _store_instead(self, clip: Clip, document: dict[str, Any], *, note: str) -> None:
        """Store new versions of the readings that changed; ``note`` for those that are gone."""
        corrected = bool(self.corrections(clip))
        before = {(one.movement, one.side): one for one in self.readings_of(clip)}
        for reading in document["readings"]:
            old = before.pop((reading["movement"], reading["side"]), None)
            if old is not None and _still_holds(old, reading):
                continue
            one = {**document, "readings": [reading]}
            self._insert_reading(clip.id, one, old, review="corrected" if corrected else "unreviewed")
        for gone in before.values():
            if gone.review != "rejected":
                self._insert_reading(clip.id, gone.document, gone, review="rejected", note=note)

    def export_patient(self, patient: Patient) -> dict[str, Any]:
        """Return everything that is kept of a patient as plain values, what the pages keep included."""
        tasks = [
            asdict(task) | {"runs": [asdict(run) for run in self.runs(task)]} for task in reversed(self.tasks(patient))
        ]
        corrections = [
            dict(row)
            for row in self._connection.execute(
                "SELECT correction.* FROM correction JOIN clip ON clip.id = correction.clip_id "
                "JOIN visit ON visit.id = clip.visit_id WHERE visit.patient_id = ? ORDER BY correction.id",
                (patient.id,),
            ).fetchall()
        ]
        uploads = [
            asdict(one) | {"path": None if one.path is None else Path(one.path).name}
            for one in self.uploads_of(patient)
        ]
        return super().export_patient(patient) | {"tasks": tasks, "corrections": corrections, "uploads": uploads}

    def delete_patient(self, patient: Patient, *, recordings: bool = True) -> tuple[Path, ...]:
        """Delete a patient wholly, with what came in and was not measured."""
        measured = {one.path for one in self.clips(patient)}
        for upload in self.uploads_of(patient) if recordings else ():
            if upload.path not in measured:
                self.forget_files(upload)
        return super().delete_patient(patient, recordings=recordings)


def _still_holds(old: StoredReading, reading: dict[str, Any]) -> bool:
    """Whether a stored reading and its review stay; a person's rejection does where only what is told of pain has changed."""
    if old.review != "rejected":
        return old.reading == reading
    without_pain = [
        {key: value for key, value in one.items() if key != "painful_arc"} for one in (old.reading, reading)
    ]
    return old.note not in NO_LONGER_READ and without_pain[0] == without_pain[1]
