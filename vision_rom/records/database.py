"""The database file: opened, brought to this version, and checked. Raw SQLite; nothing else keeps a patient's data.

Write-ahead log, foreign keys on, one transaction a change. A migration copies the file first and runs in one transaction,
so that a computer that stops in the middle leaves the old database.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from vision_rom.errors import OutputError, UsageError
from vision_rom.records.network_drive import network_kind

FILE_NAME = "records.sqlite3"
BUSY_S = 15.0

_V1 = """
CREATE TABLE patient (
    id INTEGER PRIMARY KEY, code TEXT NOT NULL UNIQUE, birth_year INTEGER CHECK (birth_year BETWEEN 1900 AND 2100),
    sex TEXT NOT NULL DEFAULT 'unknown' CHECK (sex IN ('female', 'male', 'other', 'unknown')),
    dominant_side TEXT CHECK (dominant_side IN ('left', 'right', 'both')), sport TEXT, created_at TEXT NOT NULL
) STRICT;
CREATE TABLE patient_name (
    patient_id INTEGER PRIMARY KEY REFERENCES patient (id) ON DELETE CASCADE, name TEXT NOT NULL
) STRICT;
CREATE TABLE episode (
    id INTEGER PRIMARY KEY, patient_id INTEGER NOT NULL REFERENCES patient (id) ON DELETE CASCADE,
    side TEXT NOT NULL CHECK (side IN ('left', 'right', 'both')), complaint TEXT NOT NULL,
    onset_date TEXT, surgery_date TEXT, restrictions TEXT, created_at TEXT NOT NULL
) STRICT;
CREATE TABLE visit (
    id INTEGER PRIMARY KEY, patient_id INTEGER NOT NULL REFERENCES patient (id) ON DELETE CASCADE,
    episode_id INTEGER REFERENCES episode (id) ON DELETE SET NULL, date TEXT NOT NULL,
    position TEXT NOT NULL CHECK (position IN ('standing', 'sitting', 'lying')),
    motion TEXT NOT NULL CHECK (motion IN ('active', 'assisted', 'passive')),
    examiner TEXT, inspection TEXT, palpation TEXT, created_at TEXT NOT NULL
) STRICT;
CREATE TABLE clip (
    id INTEGER PRIMARY KEY, visit_id INTEGER NOT NULL REFERENCES visit (id) ON DELETE CASCADE,
    sha256 TEXT NOT NULL, path TEXT NOT NULL, consent INTEGER NOT NULL CHECK (consent IN (0, 1)),
    created_at TEXT NOT NULL, UNIQUE (visit_id, sha256)
) STRICT;
CREATE TABLE reading (
    id INTEGER PRIMARY KEY, clip_id INTEGER NOT NULL REFERENCES clip (id) ON DELETE CASCADE,
    movement TEXT NOT NULL, side TEXT NOT NULL CHECK (side IN ('left', 'right')),
    version INTEGER NOT NULL, document TEXT NOT NULL CHECK (json_valid(document)),
    review TEXT NOT NULL CHECK (review IN ('unreviewed', 'accepted', 'rejected', 'corrected')),
    reviewed_by TEXT, reviewed_at TEXT, note TEXT, supersedes INTEGER REFERENCES reading (id) ON DELETE CASCADE,
    created_at TEXT NOT NULL, UNIQUE (clip_id, movement, side, version)
) STRICT;
CREATE TABLE audit (id INTEGER PRIMARY KEY, at TEXT NOT NULL, who TEXT NOT NULL, what TEXT NOT NULL) STRICT;
CREATE INDEX visit_of_patient ON visit (patient_id, date);
CREATE INDEX reading_of_clip ON reading (clip_id);
CREATE TRIGGER reading_stays BEFORE UPDATE ON reading
WHEN OLD.review <> 'unreviewed' OR NEW.document IS NOT OLD.document OR NEW.version <> OLD.version
BEGIN SELECT RAISE (ABORT, 'a reading never changes: store a new version'); END;
CREATE TRIGGER audit_stays BEFORE UPDATE ON audit BEGIN SELECT RAISE (ABORT, 'the audit trail never changes'); END;
CREATE TRIGGER audit_is_kept BEFORE DELETE ON audit BEGIN SELECT RAISE (ABORT, 'the audit trail is kept'); END;
"""

_V3 = """
CREATE TABLE account (
    id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, role TEXT NOT NULL CHECK (role IN ('clinician', 'assistant')),
    password TEXT NOT NULL, created_at TEXT NOT NULL
) STRICT;
CREATE TABLE session (
    token_sha256 TEXT PRIMARY KEY, account_id INTEGER REFERENCES account (id) ON DELETE CASCADE, name TEXT NOT NULL,
    role TEXT NOT NULL CHECK (role IN ('clinician', 'assistant')), form_token TEXT NOT NULL,
    once INTEGER NOT NULL CHECK (once IN (0, 1)), expires_at TEXT NOT NULL
) STRICT;
CREATE TABLE home_task (
    id INTEGER PRIMARY KEY, token_sha256 TEXT NOT NULL UNIQUE,
    patient_id INTEGER NOT NULL REFERENCES patient (id) ON DELETE CASCADE, steps TEXT NOT NULL CHECK (json_valid(steps)),
    language TEXT NOT NULL, shows_angle INTEGER NOT NULL CHECK (shows_angle IN (0, 1)), expires_at TEXT NOT NULL,
    uses_left INTEGER NOT NULL CHECK (uses_left >= 0), revoked INTEGER NOT NULL DEFAULT 0 CHECK (revoked IN (0, 1)),
    made_by TEXT NOT NULL, created_at TEXT NOT NULL
) STRICT;
CREATE TABLE home_run (
    id INTEGER PRIMARY KEY, task_id INTEGER NOT NULL REFERENCES home_task (id) ON DELETE CASCADE,
    visit_id INTEGER REFERENCES visit (id) ON DELETE SET NULL, pain_at_rest REAL NOT NULL, finished INTEGER NOT NULL DEFAULT 0,
    stopped TEXT NOT NULL DEFAULT '',
    created_at TEXT NOT NULL
) STRICT;
CREATE TABLE upload (
    id TEXT PRIMARY KEY, visit_id INTEGER REFERENCES visit (id) ON DELETE CASCADE,
    run_id INTEGER REFERENCES home_run (id) ON DELETE CASCADE, name TEXT NOT NULL, size INTEGER NOT NULL CHECK (size > 0),
    movement TEXT, side TEXT, mirrored INTEGER NOT NULL CHECK (mirrored IN (0, 1)),
    state TEXT NOT NULL CHECK (state IN ('receiving', 'received', 'looked_at', 'sent', 'replaced', 'refused')),
    path TEXT, message TEXT NOT NULL DEFAULT '', created_at TEXT NOT NULL,
    CHECK ((visit_id IS NULL) <> (run_id IS NULL))
) STRICT;
CREATE TABLE job (
    id INTEGER PRIMARY KEY, kind TEXT NOT NULL CHECK (kind IN ('look', 'measure', 'draw', 'annotate')),
    upload_id TEXT REFERENCES upload (id) ON DELETE CASCADE, clip_id INTEGER REFERENCES clip (id) ON DELETE CASCADE,
    state TEXT NOT NULL CHECK (state IN ('waiting', 'running', 'done', 'failed', 'cancelled')), share REAL,
    stage TEXT NOT NULL DEFAULT '', message TEXT NOT NULL DEFAULT '', who TEXT NOT NULL, created_at TEXT NOT NULL
) STRICT;
CREATE TABLE correction (
    id INTEGER PRIMARY KEY, clip_id INTEGER NOT NULL REFERENCES clip (id) ON DELETE CASCADE,
    what TEXT NOT NULL CHECK (json_valid(what)), who TEXT NOT NULL, undone INTEGER NOT NULL DEFAULT 0 CHECK (undone IN (0, 1)),
    created_at TEXT NOT NULL
) STRICT;
CREATE INDEX job_in_state ON job (state, id);
CREATE INDEX correction_of_clip ON correction (clip_id, id);
"""

Migration = Callable[[sqlite3.Connection], None]


def _first_tables(connection: sqlite3.Connection) -> None:
    _run(connection, _V1)


def _findings_of_a_visit(connection: sqlite3.Connection) -> None:
    connection.execute("ALTER TABLE visit ADD COLUMN findings TEXT NOT NULL DEFAULT '[]' CHECK (json_valid(findings))")


def _pages_of_the_clinic(connection: sqlite3.Connection) -> None:
    _run(connection, _V3)


MIGRATIONS: tuple[Migration, ...] = (_first_tables, _findings_of_a_visit, _pages_of_the_clinic)
"""In order; the database's ``user_version`` is how many of them it has seen. Never change one that was released."""


def open_database(folder: Path, *, migrations: tuple[Migration, ...] = MIGRATIONS) -> sqlite3.Connection:
    """Open the records in a folder, made and brought to this version where needed.

    Raises
    ------
    OutputError
        The disk is full or may not be written.
    UsageError
        The file is no database, is damaged, or was written by a newer version.

    """
    path = folder / FILE_NAME
    try:
        folder.mkdir(parents=True, exist_ok=True)
        connection = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)
        connection.row_factory = sqlite3.Row
        connection.execute("PRAGMA foreign_keys = ON")
        # the write-ahead log needs memory that all processes share, which no network drive gives to two machines
        journal = "WAL" if network_kind(folder) is None else "DELETE"
        connection.execute(f"PRAGMA journal_mode = {journal}")
        connection.execute("PRAGMA synchronous = FULL")
        _migrate(connection, path, migrations)
    except OSError as error:
        raise OutputError(f"The records in '{folder}' cannot be opened: {error.strerror or error}.") from error
    except sqlite3.Error as error:
        raise in_a_sentence(error, folder) from error
    return connection


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """Run a block as one change: all of it, or after any error or a kill nothing."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
    except BaseException:
        # a full disk makes SQLite roll back by itself
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")


def now() -> str:
    """Return the time as it is noted: UTC, to the second."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def integrity(connection: sqlite3.Connection) -> str:
    """Return ``ok``, or what is wrong with the file or its references."""
    first = str(connection.execute("PRAGMA integrity_check").fetchone()[0])
    if first != "ok":
        return first
    loose = connection.execute("PRAGMA foreign_key_check").fetchall()
    return "ok" if not loose else f"{len(loose)} rows point at something that is not there"


def in_a_sentence(error: sqlite3.Error, folder: Path) -> UsageError | OutputError:
    """Return the user's error for SQLite's."""
    text = str(error)
    if "readonly" in text or "unable to open" in text:
        return OutputError(f"The records in '{folder}' cannot be written: the disk or folder is read-only.")
    if "full" in text:
        return OutputError(f"The records in '{folder}' cannot be written: the disk is full; nothing was changed.")
    if "locked" in text:
        return OutputError(
            f"The records in '{folder}' are being written by another program; try again when it has finished."
        )
    if "not a database" in text or "malformed" in text:
        return UsageError(
            f"'{folder / FILE_NAME}' is damaged or no database; put back the newest '{FILE_NAME}.before-*' beside it."
        )
    return OutputError(f"The records in '{folder}' cannot be used: {text}.")


def _migrate(connection: sqlite3.Connection, path: Path, migrations: tuple[Migration, ...]) -> None:
    seen = _version(connection)
    if seen > len(migrations):
        raise UsageError(
            f"The records in '{path.parent}' were written by a newer vision-rom (version {seen} of the tables, this program "
            f"knows {len(migrations)}); install the newer one."
        )
    if seen == len(migrations):
        return
    if seen:
        wrong = integrity(connection)
        if wrong != "ok":
            raise UsageError(
                f"The records in '{path.parent}' are damaged ({wrong}) and were left as they are; put back the newest copy."
            )
        _back_up(connection, path, seen)
    with transaction(connection):
        # another process may have migrated while this one waited
        for number in range(_version(connection), len(migrations)):
            migrations[number](connection)
            connection.execute(f"PRAGMA user_version = {number + 1}")


def _back_up(connection: sqlite3.Connection, path: Path, version: int) -> None:
    """Copy the database before it changes; the copy appears only when it is complete."""
    target = path.with_name(f"{path.name}.before-{version + 1}")
    partial = path.with_name(f".{target.name}.partial")
    partial.unlink(missing_ok=True)
    copy = sqlite3.connect(partial)
    try:
        connection.backup(copy)
    finally:
        copy.close()
    partial.replace(target)


def _version(connection: sqlite3.Connection) -> int:
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def _run(connection: sqlite3.Connection, script: str) -> None:
    """Run several statements inside the open transaction; ``executescript`` would commit it."""
    statement = ""
    for line in script.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            connection.execute(statement)
            statement = ""
