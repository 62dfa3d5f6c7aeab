"""What seeing every picture in a mirror too is worth: readings with and without it, on clips of the calibration set. Run by hand.

    python -m vision_rom.proof.mirror_bench CACHE_FOLDER --out tests/pose/mirror --every 9
    python -m vision_rom.proof.mirror_bench CACHE_FOLDER --out tests/pose/mirror --every 20 --first 3 --rate 30

The first sees each picture in both ways, since these clips have few pictures a second; with ``--rate 30`` the same clips are rendered
with so many, and the ways take turns. Rows are added to ``readings.csv``; a row that is there is not made again. The people are those
by whom every choice between ways is made, so this is no claim.
"""

from __future__ import annotations

import argparse
import csv
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from vision_rom.measure import find_landmarks
from vision_rom.pose import PoseSettings
from vision_rom.proof.cases import ProofCase, calibration_set
from vision_rom.proof.clips import rendered_clip
from vision_rom.readings import measure_landmarks

COLUMNS = ("clip", "movement", "rate_hz", "true_deg", "one_way_deg", "both_ways_deg")


def row_of(case: ProofCase, cache: Path) -> dict[str, object]:
    """Measure one clip without and with the mirror; "" where it was not measured."""
    path, truth = rendered_clip(case, cache)
    row: dict[str, object] = {
        "clip": case.name,
        "movement": case.movement,
        "rate_hz": round(case.description.rate_hz, 1),
        "true_deg": round(float(np.mean([one.held for one in truth.repetitions if one.side == case.side])), 2),
    }
    for column, both_ways in (("one_way_deg", False), ("both_ways_deg", True)):
        clip, track = find_landmarks(
            path,
            settings=PoseSettings(person=case.patient, both_ways=both_ways),
            mirrored=False,
            time_factor=1.0,
            rate_hz=None,
            cache=cache / "landmarks",
            on_progress=lambda stage, share: None,
        )
        reading = measure_landmarks(clip, track, movement=case.movement, side=case.side).readings[0]
        row[column] = round(reading.held_deg, 2) if np.isfinite(reading.held_deg) else ""
    return row


def summary(rows: list[dict[str, str]]) -> str:
    """Return the mean and root mean square error of both on the clips that both measured, as one line."""
    both = [row for row in rows if row["one_way_deg"] and row["both_ways_deg"]]
    errors = {
        name: np.array([float(row[name]) - float(row["true_deg"]) for row in both])
        for name in ("one_way_deg", "both_ways_deg")
    }
    told = [
        f"{name}: mean error {np.abs(one).mean():.2f}, root mean square {np.sqrt((one**2).mean()):.2f}"
        for name, one in errors.items()
    ]
    only = [sum(bool(row[name]) for row in rows) - len(both) for name in ("one_way_deg", "both_ways_deg")]
    return f"{len(both)} clips measured by both; {'; '.join(told)}; measured by one alone: {only[0]} and {only[1]}"


def main() -> None:
    """Measure every N-th clip of the calibration set."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("cache", type=Path)
    asked.add_argument("--out", type=Path, required=True)
    asked.add_argument("--every", type=int, default=9)
    asked.add_argument("--first", type=int, default=0)
    asked.add_argument("--rate", type=float, help="pictures a second that the clips are rendered with; as they are")
    options = asked.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    table = options.out / "readings.csv"
    done: list[dict[str, str]] = []
    if table.exists():
        with table.open(encoding="utf-8", newline="") as file:
            done = list(csv.DictReader(file))
    for case in calibration_set()[options.first :: options.every]:
        if options.rate:
            description = replace(case.description, rate_hz=options.rate)
            case = replace(case, name=f"{case.name}-{options.rate:g}", description=description)
        if any(row["clip"] == case.name for row in done):
            continue
        row = row_of(case, options.cache)
        done.append({name: str(row[name]) for name in COLUMNS})
        temporary = table.with_suffix(".writing")
        with temporary.open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, COLUMNS)
            writer.writeheader()
            writer.writerows(done)
        temporary.replace(table)
        print(row, file=sys.stderr)
    print(summary(done))


if __name__ == "__main__":
    main()
