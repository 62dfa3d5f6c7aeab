"""Recordings that come in, and the jobs that are done with them."""

from __future__ import annotations

import secrets
import sqlite3
from pathlib import Path

from vision_rom.errors import UsageError
from vision_rom.records import Patient
from vision_rom.records.database import now, transaction
from vision_rom.records.kept import Kept, made
from vision_rom.web.expiry import later
from vision_rom.web.model import Job, JobKind, Upload
from vision_rom.web.settings import ServeSettings
from vision_rom.web.tasks import RUN_HOURS


class Work(Kept):
    """Uploads and jobs."""

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
            "SELECT * FROM upload WHERE state = 'receiving' AND created_at > ?", (later(-RUN_HOURS),)
        ).fetchall()
        return tuple(_upload(row) for row in rows)

    def set_upload(self, number: str, **changed: object) -> None:
        """Note a recording's state, path or message."""
        self._set("upload", number, changed)

    def hand_on(self, upload: Upload, *, was: str, becomes: str, work: JobKind) -> None:
        """Note that a recording has come a step further and queue the work that this asks for, both or neither.

        Without the work it would wait for ever. A recording that is no longer in the state it ``was`` in stays as it is.
        """
        with transaction(self._connection):
            noted = self._connection.execute(
                "UPDATE upload SET state = ? WHERE id = ? AND state = ?", (becomes, upload.id, was)
            )
            if noted.rowcount:
                self.add_job(work, upload_id=upload.id)

    def forget_files(self, upload: Upload) -> None:
        """Remove the files of a recording that was replaced or given up."""
        (ServeSettings(self.folder).receiving / upload.id).unlink(missing_ok=True)
        if upload.path is not None:
            Path(upload.path).unlink(missing_ok=True)

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
        return made(Job, row)

    def jobs(self, *, newest: int = 12) -> tuple[Job, ...]:
        """Return the unfinished jobs and the newest finished ones, newest first; drawing anew is no news."""
        rows = self._connection.execute(
            "SELECT * FROM job WHERE kind <> 'draw' AND (state IN ('waiting', 'running') OR id IN "
            "(SELECT id FROM job WHERE kind <> 'draw' ORDER BY id DESC LIMIT ?)) ORDER BY id DESC",
            (newest,),
        ).fetchall()
        return tuple(made(Job, row) for row in rows)

    def claim_job(self) -> Job | None:
        """Take the oldest waiting job, a look for a waiting patient before the others; None where nothing waits."""
        row = self._connection.execute(
            "UPDATE job SET state = 'running', share = NULL WHERE id = (SELECT id FROM job WHERE state = 'waiting' "
            "ORDER BY kind = 'look' DESC, id LIMIT 1) RETURNING *"
        ).fetchone()
        return None if row is None else made(Job, row)

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


def _upload(row: sqlite3.Row) -> Upload:
    return made(Upload, row, mirrored=bool(row["mirrored"]))
