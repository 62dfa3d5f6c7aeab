"""Stopped, shared, full, read-only, newer and damaged databases."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

from vision_rom.errors import OutputError, UsageError
from vision_rom.records import Patient, Records, Visit, database
from vision_rom.records.database import FILE_NAME, MIGRATIONS, integrity, open_database

KILLS = int(os.environ.get("VISION_ROM_KILLS", "8"))


def test_an_older_database_is_copied_and_brought_to_this_version(tmp_path: Path) -> None:
    old = open_database(tmp_path, migrations=MIGRATIONS[:1])
    old.execute("INSERT INTO patient (code, created_at) VALUES ('p-1', '2026')")
    old.execute(
        "INSERT INTO visit (patient_id, date, position, motion, created_at) VALUES (1, '2026-03-02', 'sitting', 'active', '')"
    )
    old.close()
    with Records(tmp_path) as kept:
        assert kept.patient("p-1").code == "p-1"
        assert kept.findings(kept.visit(1)) == []
    copy = sqlite3.connect(tmp_path / f"{FILE_NAME}.before-2")
    assert copy.execute("PRAGMA user_version").fetchone()[0] == 1
    assert copy.execute("SELECT code FROM patient").fetchall() == [("p-1",)]
    copy.close()


def test_a_migration_that_fails_leaves_the_old_database(tmp_path: Path) -> None:
    open_database(tmp_path, migrations=MIGRATIONS[:1]).close()

    def broken(connection: sqlite3.Connection) -> None:
        connection.execute("ALTER TABLE visit ADD COLUMN half TEXT")
        connection.execute("SELECT * FROM nowhere")

    with pytest.raises(OutputError, match="cannot be used"):
        open_database(tmp_path, migrations=(MIGRATIONS[0], broken))
    again = open_database(tmp_path, migrations=MIGRATIONS[:1])
    assert "half" not in [row[1] for row in again.execute("PRAGMA table_info(visit)")]
    assert integrity(again) == "ok"
    again.close()


def test_a_newer_database_is_left_alone(tmp_path: Path) -> None:
    newer = open_database(tmp_path)
    newer.execute("PRAGMA user_version = 99")
    newer.close()
    with pytest.raises(UsageError, match="newer vision-rom"):
        Records(tmp_path)


def test_a_damaged_file_is_named_with_its_way_back(tmp_path: Path) -> None:
    (tmp_path / FILE_NAME).write_bytes(b"not a database" * 200)
    with pytest.raises(UsageError, match="put back the newest"):
        Records(tmp_path)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("database or disk is full", "disk is full; nothing was changed"),
        ("attempt to write a readonly database", "read-only"),
        ("database is locked", "being written by another program"),
    ],
)
def test_what_the_disk_says_becomes_a_sentence(text: str, words: str) -> None:
    assert words in str(database.in_a_sentence(sqlite3.OperationalError(text), Path("records")))


def test_a_full_disk_changes_nothing(tmp_path: Path) -> None:
    with Records(tmp_path) as kept:
        patient = kept.add_patient(Patient("p-1"))
        pages = kept._connection.execute("PRAGMA page_count").fetchone()[0]
        kept._connection.execute(f"PRAGMA max_page_count = {pages}")
        long = Visit(patient.id, "2026-03-02", inspection="long " * 40_000)
        with pytest.raises(OutputError, match="disk is full"):
            kept.add_visit(long)
        assert kept.visits(patient) == ()
        assert kept.integrity() == "ok"


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="root may write anywhere")
def test_a_read_only_folder_gets_a_sentence(tmp_path: Path) -> None:
    folder = tmp_path / "closed"
    folder.mkdir(mode=0o500)
    with pytest.raises(OutputError, match="read-only"):
        Records(folder)


WRITER = """
import json, sys
from pathlib import Path
from vision_rom.records import Patient, Records, Visit
folder, document, first = Path(sys.argv[1]), json.loads(Path(sys.argv[2]).read_text()), int(sys.argv[3])
print("ready", flush=True)
with Records(folder, who="writer") as kept:
    for number in range(first, first + 400):
        patient = kept.add_patient(Patient(f"p-{number}"))
        visit = kept.add_visit(Visit(patient.id, "2026-03-02"))
        document["clip"]["sha256"] = f"{number:064d}"
        [stored] = kept.store_document(visit, document, path=Path("a.mp4"), consent=True)
        kept.review(stored, "accepted")
"""

MIGRATOR = """
import sqlite3, sys, time
from pathlib import Path
from vision_rom.records.database import MIGRATIONS, open_database

def slow(connection):
    for number in range(200):
        connection.execute(f"ALTER TABLE visit ADD COLUMN extra_{number} TEXT")
        time.sleep(0.001)

print("ready", flush=True)
open_database(Path(sys.argv[1]), migrations=(*MIGRATIONS, slow)).close()
"""


def killed(script: str, *arguments: object, rng: random.Random, longest_s: float) -> None:
    """Start a program that writes and kill it at a random moment."""
    process = subprocess.Popen([sys.executable, "-c", script, *map(str, arguments)], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    process.stdout.readline()
    time.sleep(rng.uniform(0, longest_s))
    process.send_signal(signal.SIGKILL)
    process.wait()
    process.stdout.close()


def whole(folder: Path) -> int:
    """Check that nothing is half-written; return how many patients there are."""
    with Records(folder) as kept:
        assert kept.integrity() == "ok"
        patients = kept.patients()
        for patient in patients:
            for visit in kept.visits(patient):
                for reading in kept.readings(visit):
                    assert reading.document["readings"][0]["held_deg"] == reading.held_deg
        return len(patients)


def test_killed_while_writing_no_row_is_half(tmp_path: Path, document) -> None:
    import json

    text = tmp_path / "document.json"
    text.write_text(json.dumps(document), encoding="utf-8")
    folder, rng, seen = tmp_path / "records", random.Random(5), 0
    for attempt in range(KILLS):
        killed(WRITER, folder, text, 1000 * attempt, rng=rng, longest_s=1.5)
        now_there = whole(folder)
        assert now_there >= seen
        seen = now_there
    assert seen > 0


def test_killed_while_migrating_the_old_or_the_new_is_there(tmp_path: Path) -> None:
    rng = random.Random(6)
    for attempt in range(KILLS):
        folder = tmp_path / f"r{attempt}"
        with Records(folder) as kept:
            kept.add_patient(Patient("p-1"))
        killed(MIGRATOR, folder, rng=rng, longest_s=1.0)
        plain = sqlite3.connect(folder / FILE_NAME)
        columns = [row[1] for row in plain.execute("PRAGMA table_info(visit)") if row[1].startswith("extra_")]
        version = plain.execute("PRAGMA user_version").fetchone()[0]
        assert (len(columns), version) in ((0, len(MIGRATIONS)), (200, len(MIGRATIONS) + 1))
        assert integrity(plain) == "ok"
        assert plain.execute("SELECT code FROM patient").fetchall() == [("p-1",)]
        plain.close()
        # a retry completes
        subprocess.run([sys.executable, "-c", MIGRATOR, folder], check=True, capture_output=True)


def test_two_programs_write_at_once_and_nothing_is_lost(tmp_path: Path, document) -> None:
    import json

    text = tmp_path / "document.json"
    text.write_text(json.dumps(document), encoding="utf-8")
    folder = tmp_path / "records"
    script = WRITER.replace("first + 400", "first + 25")
    running = [
        subprocess.Popen([sys.executable, "-c", script, str(folder), str(text), str(first)], stdout=subprocess.DEVNULL)
        for first in (0, 1000)
    ]
    assert [one.wait(timeout=120) for one in running] == [0, 0]
    assert whole(folder) == 50
