"""Kill the program fifty times while it measures into a visit and while it migrates; count what is lost or half. Run by hand.

    python tests/records/kills/run.py FOLDER

writes ``result.json`` beside this file. After every kill the database must pass its integrity check and hold whole readings only; in the
end a retry must complete.
"""

from __future__ import annotations

import json
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from vision_rom.records import Patient, Records, Visit
from vision_rom.records.database import FILE_NAME, MIGRATIONS, integrity

HERE = Path(__file__).resolve().parent
CLIP = HERE.parents[2] / "sample_clips" / "demo_abduction_right.mp4"
KILLS_EACH = 25
MIGRATOR = """
import sys, time
from pathlib import Path
from vision_rom.records.database import MIGRATIONS, open_database

def slow(connection):
    for number in range(200):
        connection.execute(f"ALTER TABLE visit ADD COLUMN extra_{number} TEXT")
        time.sleep(0.002)

print("ready", flush=True)
open_database(Path(sys.argv[1]), migrations=(*MIGRATIONS, slow)).close()
"""


def main(folder: Path) -> None:
    """Kill, look, count, write."""
    rng = random.Random(2026)
    facts = {"measuring": measuring(folder / "measuring", rng), "migrating": migrating(folder / "migrating", rng)}
    (HERE / "result.json").write_text(json.dumps(facts, indent=2) + "\n", encoding="utf-8")
    print(json.dumps(facts, indent=2))


def measuring(folder: Path, rng: random.Random) -> dict[str, Any]:
    """Kill ``vision-rom visit measure`` at random moments of its run."""
    with Records(folder) as kept:
        visit = kept.add_visit(Visit(kept.add_patient(Patient("p-1")).id, "2026-03-02"))
    command = [
        sys.executable,
        "-m",
        "vision_rom",
        "visit",
        "measure",
        str(visit.id),
        str(CLIP),
        "--records",
        str(folder),
    ]
    with Records(folder.with_name("whole")) as kept:
        kept.add_visit(Visit(kept.add_patient(Patient("p-1")).id, "2026-03-02"))
    started = time.monotonic()
    subprocess.run([*command[:-1], str(folder.with_name("whole"))], check=True, capture_output=True)
    whole_s = time.monotonic() - started
    bad, finished, stored = [], 0, 0
    for number in range(KILLS_EACH):
        own = folder.with_name(f"measuring-{number}")
        shutil.copytree(folder, own)
        process = subprocess.Popen([*command[:-1], str(own)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        time.sleep(rng.uniform(0.1, whole_s))
        finished += process.poll() is not None
        process.send_signal(signal.SIGKILL)
        process.wait()
        with Records(own) as kept:
            readings = kept.readings(visit)
            stored += len(readings)
            if kept.integrity() != "ok" or len(readings) > 1:
                bad.append(f"{number}: {kept.integrity()}, {len(readings)} readings")
            results = kept.folder_of(visit) / f"{CLIP.stem}.reading"
            if results.exists() and not (results / "reading.json").exists():
                bad.append(f"{number}: a half-written folder")
            for one in readings:
                if json.loads((results / "reading.json").read_text(encoding="utf-8"))["readings"][0] != one.reading:
                    bad.append(f"{number}: the row and its results differ")
    subprocess.run([*command[:-1], str(own)], check=True, capture_output=True)
    with Records(own) as kept:
        completed = len(kept.readings(visit)) == 1 and kept.integrity() == "ok"
    return {
        "kills": KILLS_EACH,
        "finished_before_the_kill": finished,
        "stored": stored,
        "wrong": bad,
        "retry_completes": completed,
    }


def migrating(folder: Path, rng: random.Random) -> dict[str, Any]:
    """Kill a migration of two hundred steps at random moments."""
    bad, old, new = [], 0, 0
    for number in range(KILLS_EACH):
        own = folder / str(number)
        with Records(own) as kept:
            kept.add_patient(Patient("p-1"))
        process = subprocess.Popen([sys.executable, "-c", MIGRATOR, str(own)], stdout=subprocess.PIPE, text=True)
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(rng.uniform(0, 0.9))
        process.send_signal(signal.SIGKILL)
        process.wait()
        plain = sqlite3.connect(own / FILE_NAME)
        columns = sum(row[1].startswith("extra_") for row in plain.execute("PRAGMA table_info(visit)"))
        version = plain.execute("PRAGMA user_version").fetchone()[0]
        old, new = old + (version == len(MIGRATIONS)), new + (version > len(MIGRATIONS))
        if integrity(plain) != "ok" or (columns, version) not in ((0, len(MIGRATIONS)), (200, len(MIGRATIONS) + 1)):
            bad.append(f"{number}: {columns} columns at version {version}, {integrity(plain)}")
        plain.close()
        subprocess.run([sys.executable, "-c", MIGRATOR, str(own)], check=True, capture_output=True)
    return {"kills": KILLS_EACH, "old_left": old, "new_complete": new, "wrong": bad, "retry_completes": True}


if __name__ == "__main__":
    main(Path(sys.argv[1]))
