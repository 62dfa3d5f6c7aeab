"""The records: patients with their episodes and visits, and everything of a patient at once."""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Sequence
from dataclasses import asdict, replace
from datetime import date as calendar_date
from pathlib import Path
from typing import Any, get_args

from vision_rom.errors import OutputError, UsageError
from vision_rom.records.change import repeatability_mdc95_deg
from vision_rom.records.database import in_a_sentence
from vision_rom.records.kept import made, one_of
from vision_rom.records.model import Episode, Motion, Patient, Position, Sex, StoredReading, Visit
from vision_rom.records.readings import Readings


class Records(Readings):
    """The records in one folder."""

    # --- patients, episodes, visits -------------------------------------------------------------------------------

    def add_patient(self, patient: Patient, *, name: str | None = None) -> Patient:
        """Add a patient; raises UsageError where the code is taken or a value is not allowed."""
        # the code names a folder, which is removed with the patient: ".." would take everything along
        usable = patient.code.isprintable() and not patient.code.startswith(".")
        if not patient.code.strip() or not usable or any(sign in patient.code for sign in "/\\"):
            raise UsageError(f"'{patient.code}' cannot be a patient's code; use letters, digits and dashes.")
        one_of("sex", patient.sex, get_args(Sex))
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
        return made(Patient, row)

    def patients(self) -> tuple[Patient, ...]:
        """Return all patients by code."""
        rows = self._connection.execute("SELECT * FROM patient ORDER BY code").fetchall()
        return tuple(made(Patient, row) for row in rows)

    def name_of(self, patient: Patient) -> str | None:
        """Return the name that is kept apart, if any."""
        row = self._one("SELECT name FROM patient_name WHERE patient_id = ?", patient.id)
        return None if row is None else str(row["name"])

    def add_episode(self, episode: Episode) -> Episode:
        """Add a complaint of a patient."""
        one_of("side", episode.side, ("left", "right", "both"))
        for day in (episode.onset_date, episode.surgery_date):
            _check_date(day)
        with self._changing(f"added an episode to patient number {episode.patient_id}"):
            number = self._insert("episode", episode, without=("id",))
        return replace(episode, id=number)

    def episodes(self, patient: Patient) -> tuple[Episode, ...]:
        """Return a patient's complaints, oldest first."""
        rows = self._connection.execute(
            "SELECT * FROM episode WHERE patient_id = ? ORDER BY id", (patient.id,)
        ).fetchall()
        return tuple(made(Episode, row) for row in rows)

    def add_visit(self, visit: Visit, *, findings: Sequence[dict[str, Any]] = ()) -> Visit:
        """Add a visit of a patient."""
        _check_date(visit.date)
        one_of("position", visit.position, get_args(Position))
        one_of("motion", visit.motion, get_args(Motion))
        with self._changing(f"added a visit on {visit.date} to patient number {visit.patient_id}"):
            number = self._insert("visit", visit, without=("id",), findings=json.dumps(list(findings)))
        return replace(visit, id=number)

    def visit(self, number: int) -> Visit:
        """Return a visit by its number; raises UsageError where there is none."""
        row = self._one("SELECT * FROM visit WHERE id = ?", number)
        if row is None:
            raise UsageError(f"There is no visit {number} in '{self.folder}'.")
        return made(Visit, row)

    def visits(self, patient: Patient) -> tuple[Visit, ...]:
        """Return a patient's visits, oldest first."""
        rows = self._connection.execute(
            "SELECT * FROM visit WHERE patient_id = ? ORDER BY date, id", (patient.id,)
        ).fetchall()
        return tuple(made(Visit, row) for row in rows)

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

    # --- results and readings ---------------------------------------------------------------------------------------

    def folder_of(self, visit: Visit) -> Path:
        """Return where the results of a visit lie."""
        return self.folder / "patients" / self.patient_of(visit).code / f"visit-{visit.id}"

    def results_folder(self, visit: Visit, recording: Path, sha256: str) -> Path:
        """Return where the results of one recording of a visit lie, by its name and its content.

        Phones number their files anew in every folder: of several recordings of one name the first has the name alone, the others
        a part of their hash behind it.
        """
        rows = self._connection.execute("SELECT path, sha256 FROM clip WHERE visit_id = ? ORDER BY id", (visit.id,))
        first = next((row["sha256"] for row in rows if Path(row["path"]).stem == recording.stem), sha256)
        own = "" if first == sha256 else f"-{sha256[:8]}"
        return self.folder_of(visit) / f"{recording.stem}{own}.reading"

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


def _check_date(text: str | None) -> None:
    if text is None:
        return
    try:
        calendar_date.fromisoformat(text)
    except ValueError as error:
        raise UsageError(f"'{text}' is no date; write it as 2026-11-25.") from error
