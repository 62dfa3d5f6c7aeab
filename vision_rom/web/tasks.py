"""What patients are asked to record at home, and how far they are with it."""

from __future__ import annotations

import json
import secrets
import sqlite3
from collections.abc import Sequence

from vision_rom.errors import UsageError
from vision_rom.handover import Step
from vision_rom.records import Patient
from vision_rom.records.database import now
from vision_rom.records.kept import Kept, made
from vision_rom.web.expiry import hash_of, later
from vision_rom.web.model import HomeRun, HomeTask

RUN_HOURS = 24
"""How long a patient may take from consent to the last recording"""


class Tasks(Kept):
    """Tasks for home, and the patients' runs through them."""

    def add_task(
        self, patient: Patient, steps: Sequence[Step], *, days: float, uses: int, language: str, shows_angle: bool
    ) -> tuple[HomeTask, str]:
        """Make a task for home; returns it and the secret of its link, which is kept nowhere."""
        if not steps:
            raise UsageError("A task for home needs at least one movement.")
        if not 0 < days <= 90 or not 1 <= uses <= 30:
            raise UsageError("A task for home lasts at most 90 days and 30 uses.")
        token = secrets.token_urlsafe(24)
        written = json.dumps([[one.movement, one.side] for one in steps])
        with self._changing(f"made a task for home for patient number {patient.id}"):
            cursor = self._connection.execute(
                "INSERT INTO home_task (token_sha256, patient_id, steps, language, shows_angle, expires_at, uses_left, made_by, "
                "created_at) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    hash_of(token),
                    patient.id,
                    written,
                    language,
                    int(shows_angle),
                    later(24 * days),
                    uses,
                    self.who,
                    now(),
                ),
            )
        return self.task(int(cursor.lastrowid or 0)), token

    def task(self, number: int) -> HomeTask:
        """Return a task by number; raises UsageError where there is none."""
        row = self._one("SELECT * FROM home_task WHERE id = ?", number)
        if row is None:
            raise UsageError(f"There is no task {number}.")
        return _task(row)

    def task_of(self, token: str) -> HomeTask | None:
        """Return the task that a link opens; None where none, or no longer."""
        row = self._one("SELECT * FROM home_task WHERE token_sha256 = ?", hash_of(token))
        task = None if row is None else _task(row)
        return task if task is not None and task.open else None

    def tasks(self, patient: Patient) -> tuple[HomeTask, ...]:
        """Return a patient's tasks, newest first."""
        rows = self._connection.execute("SELECT * FROM home_task WHERE patient_id = ? ORDER BY id DESC", (patient.id,))
        return tuple(_task(row) for row in rows.fetchall())

    def revoke_task(self, number: int) -> None:
        """End a task at once."""
        with self._changing(f"revoked the task for home {number}"):
            self._connection.execute("UPDATE home_task SET revoked = 1 WHERE id = ?", (number,))

    def begin_run(self, task: HomeTask, pain_at_rest: float) -> HomeRun:
        """Take one use of a task, after the patient's consent; raises UsageError where none is left."""
        if not 0 <= pain_at_rest <= 10:
            raise UsageError("Pain is a number from 0 to 10.")
        with self._changing(f"the patient consented and began task {task.id}"):
            taken = self._connection.execute(
                "UPDATE home_task SET uses_left = uses_left - 1 WHERE id = ? AND uses_left > 0", (task.id,)
            )
            if taken.rowcount != 1:
                raise UsageError("This link was used as often as was agreed. Please ask the clinic for a new one.")
            self._connection.execute(
                "INSERT INTO home_run (task_id, pain_at_rest, created_at) VALUES (?, ?, ?)",
                (task.id, pain_at_rest, now()),
            )
        run = self.run_of(task)
        assert run is not None
        return run

    def run_of(self, task: HomeTask) -> HomeRun | None:
        """Return the run that is going on."""
        row = self._one(
            "SELECT * FROM home_run WHERE task_id = ? AND finished = 0 AND created_at > ? ORDER BY id DESC LIMIT 1",
            task.id, later(-RUN_HOURS),
        )  # fmt: skip
        return None if row is None else _run(row)

    def runs(self, task: HomeTask) -> tuple[HomeRun, ...]:
        """Return every run of a task, newest first."""
        rows = self._connection.execute(
            "SELECT * FROM home_run WHERE task_id = ? ORDER BY id DESC", (task.id,)
        ).fetchall()
        return tuple(_run(row) for row in rows)

    def run(self, number: int) -> HomeRun:
        """Return a run by number."""
        row = self._one("SELECT * FROM home_run WHERE id = ?", number)
        if row is None:
            raise UsageError(f"There is no run {number}.")
        return _run(row)

    def set_run(self, run: HomeRun, **changed: object) -> None:
        """Note the visit of a run, or that it is finished."""
        self._set("home_run", run.id, changed)


def _task(row: sqlite3.Row) -> HomeTask:
    steps = tuple(Step(movement, side) for movement, side in json.loads(row["steps"]))
    return made(HomeTask, row, steps=steps, shows_angle=bool(row["shows_angle"]), revoked=bool(row["revoked"]))


def _run(row: sqlite3.Row) -> HomeRun:
    return made(HomeRun, row, finished=bool(row["finished"]))
