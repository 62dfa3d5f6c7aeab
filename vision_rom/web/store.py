"""What the pages keep beside the records: accounts, sessions, tasks for home, recordings that come in, jobs, corrections."""

from __future__ import annotations

import json
import secrets
import sqlite3
from collections.abc import Sequence
from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from pathlib import Path
from typing import Any, TypeVar, cast

from vision_rom.errors import UsageError
from vision_rom.handover import Step
from vision_rom.records import Patient, Records, StoredReading
from vision_rom.records.database import now
from vision_rom.records.model import Clip
from vision_rom.web.model import HomeRun, HomeTask, Job, JobKind, Role, Session, Upload

Row = TypeVar("Row")
SESSION_HOURS = 12
RUN_HOURS = 24
"""How long a patient may take from consent to the last recording"""


def hash_of(token: str) -> str:
    """Return what is stored of a secret; it is long and random, so no salt is needed."""
    return sha256(token.encode()).hexdigest()


def _later(hours: float) -> str:
    return (datetime.now(UTC) + timedelta(hours=hours)).isoformat(timespec="seconds")


def _made(kind: type[Row], row: sqlite3.Row, **changed: Any) -> Row:
    names = kind.__dataclass_fields__  # type: ignore[attr-defined]
    return kind(**{name: row[name] for name in names} | changed)


class ClinicStore(Records):
    """The records with what the pages keep; one for each request, for SQLite binds a connection to its thread."""

    # --- accounts and sessions ------------------------------------------------------------------------------------

    def add_account(self, name: str, role: Role, password_hash: str) -> None:
        """Add an account; raises UsageError where the name is taken or empty."""
        if not name.strip() or len(name) > 80 or not name.isprintable():
            raise UsageError("An account needs a name of 1 to 80 printable signs.")
        if self._one("SELECT 1 FROM account WHERE name = ?", name):
            raise UsageError(f"There is an account '{name}' already.")
        with self._changing(f"added the account {name} ({role})"):
            self._connection.execute(
                "INSERT INTO account (name, role, password, created_at) VALUES (?, ?, ?, ?)",
                (name, role, password_hash, now()),
            )

    def accounts(self) -> tuple[tuple[str, Role], ...]:
        """Return name and role of every account."""
        rows = self._connection.execute("SELECT name, role FROM account ORDER BY name").fetchall()
        return tuple((str(row["name"]), cast(Role, row["role"])) for row in rows)

    def password_of(self, name: str) -> str | None:
        """Return the password's hash; None where there is no such account."""
        row = self._one("SELECT password FROM account WHERE name = ?", name)
        return None if row is None else str(row["password"])

    def remove_account(self, name: str) -> None:
        """Remove an account and end its sessions; raises UsageError where there is none."""
        if self._one("SELECT 1 FROM account WHERE name = ?", name) is None:
            raise UsageError(f"There is no account '{name}'.")
        with self._changing(f"removed the account {name}"):
            self._connection.execute("DELETE FROM account WHERE name = ?", (name,))

    def begin_session(self, name: str, role: Role | None = None, *, once: bool = False) -> str:
        """Return the secret of a new session of an account, or of ``role`` without one; ``once`` opens another session only."""
        token, account = secrets.token_urlsafe(32), self._one("SELECT * FROM account WHERE name = ?", name)
        if role is None and account is None:
            raise UsageError(f"There is no account '{name}'.")
        with self._changing(f"{name} signed in" if not once else "made a way in for this machine's user"):
            self._connection.execute("DELETE FROM session WHERE expires_at < ?", (now(),))
            self._connection.execute(
                "INSERT INTO session (token_sha256, account_id, name, role, form_token, once, expires_at) VALUES (?, ?, ?, ?, ?, ?, ?)",
                (
                    hash_of(token), None if role else account["id"], name, role or account["role"],  # type: ignore[index]
                    secrets.token_urlsafe(24), int(once), _later(SESSION_HOURS),
                ),
            )  # fmt: skip
        return token

    def session(self, token: str, *, once: bool = False) -> Session | None:
        """Return whose session a secret opens; None where none, or no longer."""
        row = self._one(
            "SELECT * FROM session WHERE token_sha256 = ? AND once = ? AND expires_at > ?",
            hash_of(token),
            int(once),
            now(),
        )
        return None if row is None else _made(Session, row)

    def end_session(self, token: str) -> bool:
        """End a session and tell whether there was one; of two that ask at once only one is told so."""
        gone = self._connection.execute("DELETE FROM session WHERE token_sha256 = ?", (hash_of(token),))
        return gone.rowcount == 1

    # --- tasks for home -------------------------------------------------------------------------------------------

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
                    _later(24 * days),
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
            task.id, _later(-RUN_HOURS),
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

    # --- recordings that come in ----------------------------------------------------------------------------------

    def add_upload(
        self,
        *,
        name: str,
        size: int,
        visit_id: int | None = None,
        run_id: int | None = None,
        movement: str | None = None,
        side: str | None = None,
        mirrored: bool = False,
    ) -> Upload:
        """Announce a recording that will come in."""
        number = secrets.token_urlsafe(18)
        shown = "".join(sign for sign in name if sign.isprintable())[:120] or "recording"
        where = f"visit {visit_id}" if visit_id is not None else f"the patient's run {run_id}"
        with self._changing(f"a recording of {size} bytes began to come in for {where}"):
            self._connection.execute(
                "INSERT INTO upload (id, visit_id, run_id, name, size, movement, side, mirrored, state, created_at) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?, 'receiving', ?)",
                (number, visit_id, run_id, shown, size, movement, side, int(mirrored), now()),
            )
        return self.upload(number)

    def upload(self, number: str) -> Upload:
        """Return a recording that comes in; raises UsageError where there is none."""
        row = self._one("SELECT * FROM upload WHERE id = ?", number)
        if row is None:
            raise UsageError("There is no such recording.")
        return _upload(row)

    def uploads(self, *, run_id: int | None = None, visit_id: int | None = None) -> tuple[Upload, ...]:
        """Return the recordings of a run or a visit, oldest first."""
        rows = self._connection.execute(
            "SELECT * FROM upload WHERE run_id IS ? AND visit_id IS ? ORDER BY rowid", (run_id, visit_id)
        ).fetchall()
        return tuple(_upload(row) for row in rows)

    def uploads_of(self, patient: Patient) -> tuple[Upload, ...]:
        """Return every recording of a patient that comes in or came in, from the clinic or from home."""
        rows = self._connection.execute(
            "SELECT upload.* FROM upload LEFT JOIN visit ON visit.id = upload.visit_id "
            "LEFT JOIN home_run ON home_run.id = upload.run_id LEFT JOIN home_task ON home_task.id = home_run.task_id "
            "WHERE visit.patient_id = ?1 OR home_task.patient_id = ?1",
            (patient.id,),
        ).fetchall()
        return tuple(_upload(row) for row in rows)

    def uploads_awaited(self) -> tuple[Upload, ...]:
        """Return the recordings that may still be coming in; what began longer ago was given up."""
        rows = self._connection.execute(
            "SELECT * FROM upload WHERE state = 'receiving' AND created_at > ?", (_later(-RUN_HOURS),)
        ).fetchall()
        return tuple(_upload(row) for row in rows)

    def set_upload(self, number: str, **changed: object) -> None:
        """Note a recording's state, path or message."""
        self._set("upload", number, changed)

    # --- jobs -----------------------------------------------------------------------------------------------------

    def add_job(self, kind: JobKind, *, upload_id: str | None = None, clip_id: int | None = None) -> int:
        """Queue work; the same work that waits already is not queued twice."""
        row = self._one(
            "SELECT id FROM job WHERE kind = ? AND upload_id IS ? AND clip_id IS ? AND state = 'waiting'",
            kind, upload_id, clip_id,
        )  # fmt: skip
        if row is not None:
            return int(row["id"])
        cursor = self._connection.execute(
            "INSERT INTO job (kind, upload_id, clip_id, state, who, created_at) VALUES (?, ?, ?, 'waiting', ?, ?)",
            (kind, upload_id, clip_id, self.who, now()),
        )
        return int(cursor.lastrowid or 0)

    def job(self, number: int) -> Job:
        """Return a job; raises UsageError where there is none."""
        row = self._one("SELECT * FROM job WHERE id = ?", number)
        if row is None:
            raise UsageError(f"There is no job {number}.")
        return _made(Job, row)

    def jobs(self, *, newest: int = 12) -> tuple[Job, ...]:
        """Return the unfinished jobs and the newest finished ones, newest first; drawing anew is no news."""
        rows = self._connection.execute(
            "SELECT * FROM job WHERE kind <> 'draw' AND (state IN ('waiting', 'running') OR id IN "
            "(SELECT id FROM job WHERE kind <> 'draw' ORDER BY id DESC LIMIT ?)) ORDER BY id DESC",
            (newest,),
        ).fetchall()
        return tuple(_made(Job, row) for row in rows)

    def claim_job(self) -> Job | None:
        """Take the oldest waiting job, a look for a waiting patient before the others; None where nothing waits."""
        row = self._connection.execute(
            "UPDATE job SET state = 'running', share = NULL WHERE id = (SELECT id FROM job WHERE state = 'waiting' "
            "ORDER BY kind = 'look' DESC, id LIMIT 1) RETURNING *"
        ).fetchone()
        return None if row is None else _made(Job, row)

    def set_job(self, number: int, **changed: object) -> None:
        """Note a job's state, share, stage or message."""
        self._set("job", number, changed)

    def cancel_job(self, number: int) -> None:
        """Cancel a job that waits or runs; whoever runs it looks for this."""
        with self._changing(f"cancelled job {number}"):
            self._connection.execute(
                "UPDATE job SET state = 'cancelled' WHERE id = ? AND state IN ('waiting', 'running')", (number,)
            )

    def cancel_jobs_of(self, upload: Upload) -> None:
        """Cancel what was to be done with a recording that is given up."""
        self._connection.execute(
            "UPDATE job SET state = 'cancelled' WHERE upload_id = ? AND state IN ('waiting', 'running')", (upload.id,)
        )

    def resume_jobs(self) -> None:
        """Let the jobs wait again that ran when the server stopped."""
        self._connection.execute("UPDATE job SET state = 'waiting', share = NULL, stage = '' WHERE state = 'running'")

    # --- recordings and corrections -------------------------------------------------------------------------------

    def clip(self, number: int) -> Clip:
        """Return a recording; raises UsageError where there is none."""
        row = self._one("SELECT * FROM clip WHERE id = ?", number)
        if row is None:
            raise UsageError(f"There is no recording {number}.")
        return Clip(row["visit_id"], row["sha256"], row["path"], bool(row["consent"]), row["id"])

    def results_of(self, clip: Clip) -> Path:
        """Return the folder of a recording's results."""
        return self.folder_of(self.visit(clip.visit_id)) / f"{Path(clip.path).stem}.reading"

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
        """Store a correction (None undoes the last one) with the readings that come of it, as one change.

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
            corrected = bool(self.corrections(clip))
            self._store_corrected(clip, document, corrected)

    def _store_corrected(self, clip: Clip, document: dict[str, Any], corrected: bool) -> None:
        before = {(one.movement, one.side): one for one in self.readings_of(clip)}
        for reading in document["readings"]:
            old = before.pop((reading["movement"], reading["side"]), None)
            if old is not None and old.reading == reading and old.review != "rejected":
                continue
            text = json.dumps({**document, "readings": [reading]}, ensure_ascii=False, sort_keys=True)
            newest = None if old is None else self._one("SELECT * FROM reading WHERE id = ?", old.id)
            self._insert_reading(clip.id, reading, text, newest, review="corrected" if corrected else "unreviewed")
        for gone in before.values():
            if gone.review != "rejected":
                text = json.dumps(gone.document, ensure_ascii=False, sort_keys=True)
                newest = self._one("SELECT * FROM reading WHERE id = ?", gone.id)
                self._insert_reading(
                    clip.id, gone.reading, text, newest, review="rejected", note="movement or side corrected"
                )

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

    def note(self, what: str) -> None:
        """Write a line of the audit trail for something that changes nothing, such as an export."""
        with self._changing(what):
            pass

    # --- beneath --------------------------------------------------------------------------------------------------

    def _set(self, table: str, number: int | str, changed: dict[str, object]) -> None:
        # table and columns are names of our own, never a user's text
        marks = ", ".join(f"{name} = ?" for name in changed)
        self._connection.execute(f"UPDATE {table} SET {marks} WHERE id = ?", (*changed.values(), number))


def _task(row: sqlite3.Row) -> HomeTask:
    steps = tuple(Step(movement, side) for movement, side in json.loads(row["steps"]))
    return _made(HomeTask, row, steps=steps, shows_angle=bool(row["shows_angle"]), revoked=bool(row["revoked"]))


def _run(row: sqlite3.Row) -> HomeRun:
    return _made(HomeRun, row, finished=bool(row["finished"]))


def _upload(row: sqlite3.Row) -> Upload:
    return _made(Upload, row, mirrored=bool(row["mirrored"]))
