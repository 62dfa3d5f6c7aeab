"""Arms that end below the elbow, at many lengths and of many people, and whole ones with a bent elbow beside them. Run by hand.

    python -m vision_rom.proof.hostile.stumps --out FOLDER [--which seen|fresh]

draws the recordings as ``people.py`` does, measures each with movement and side named, and writes ``stumps.csv`` and the counts.
The limits for a missing forearm were chosen on ``seen``; ``fresh`` holds other people, rooms, lengths and angles. A bent elbow
shortens the forearm in the picture as well, and must not be taken for a missing one.
"""

from __future__ import annotations

import argparse
import csv
import sys
import time
from collections.abc import Iterator
from dataclasses import asdict, fields, replace
from pathlib import Path

from vision_rom.proof.hostile.bodies import stump
from vision_rom.proof.hostile.casting import Casting, PeopleCase, Which, alone, patient_of
from vision_rom.proof.hostile.people import Judged, measured, table
from vision_rom.synthetic.camera import CameraView
from vision_rom.synthetic.script import Exercise, Movement

CAST_AT = 20
"""Where these people are cast from, behind those of ``people_cases.py``"""
STUMPS, BENT = 24, 12
SHORTEST, LONGEST = 1.04, 1.75
"""Where an arm ends: 1 is the elbow, 2 the wrist"""
EVERY_SIDEWAYS = 4
"""One recording of so many is a flexion, seen from the side"""


def stump_cases(which: Which) -> Iterator[PeopleCase]:
    """Yield every recording; equal seeds give equal ones."""
    cast = Casting(which, CAST_AT)
    for number in range(STUMPS):
        side = cast.side()
        flexion = number % EVERY_SIDEWAYS == EVERY_SIDEWAYS - 1
        movement: Movement = "flexion" if flexion else "abduction"
        view: CameraView = "front" if not flexion else "left_side" if side == "left" else "right_side"
        ends_at = float(cast.rng.uniform(SHORTEST, LONGEST))
        patient = patient_of(cast, float(cast.rng.uniform(60, 165)), side=side, movement=movement)
        patient = replace(patient, change=stump(side, ends_at))
        name = f"{number:02d} {movement}, ends at {ends_at:.2f}"
        yield alone(
            name, f"{movement}, arm ends below the elbow", patient, cast.room(), cast.camera(view), movement, side
        )
    cast = Casting(which, CAST_AT + 1)
    for number in range(BENT):
        side = cast.side()
        patient = patient_of(cast, float(cast.rng.uniform(60, 150)), side=side)
        elbow_deg = float(cast.rng.uniform(30, 110))
        acts = tuple(
            replace(act, elbow_deg=elbow_deg) if isinstance(act, Exercise) else act for act in patient.script.acts
        )
        patient = replace(patient, script=replace(patient.script, acts=acts))
        name = f"{number:02d} abduction, elbow bent by {elbow_deg:.0f}"
        yield alone(name, "abduction, whole arm, elbow bent", patient, cast.room(), cast.camera(), "abduction", side)


def main() -> None:
    """Draw, measure, judge, write."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--out", type=Path, required=True)
    asked.add_argument("--which", choices=("seen", "fresh"), default="seen")
    options = asked.parse_args()
    which: Which = options.which
    folder: Path = options.out / which
    (folder / "landmarks").mkdir(parents=True, exist_ok=True)
    rows: list[Judged] = []
    started = time.process_time()
    for case in stump_cases(which):
        rows += [one for one in measured(case, folder, folder / "landmarks") if one.asked == "named"]
        print(f"{rows[-1].end:8}{rows[-1].clip}: {rows[-1].true_deg}, read {rows[-1].read}", flush=True)
    print(f"{(time.process_time() - started) / 60:.1f} minutes of processor time", file=sys.stderr)
    with (folder / "stumps.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, [one.name for one in fields(Judged)], lineterminator="\n")
        writer.writeheader()
        writer.writerows(asdict(one) for one in rows)
    print(table(rows))


if __name__ == "__main__":
    main()
