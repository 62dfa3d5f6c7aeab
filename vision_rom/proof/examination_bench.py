"""Whole examinations in one take: what is recognised, when it begins and ends, and how true the readings are. Run by hand.

    python -m vision_rom.proof.examination_bench CACHE_FOLDER --out tests/examination/bench

Twelve rendered people of no other set (``examination_cases.CLAIMED_PEOPLE``), one recording each. A true segment is the time in which the
true upper arm or forearm has left its direction at rest by 15 degrees during an exercise. ``segments.csv`` holds a row for each true segment and for each found one that
matches none, ``readings.csv`` one for each movement and side, ``summary.json`` what they come to. ``--people seen`` runs those that recognition was
written with, which is no claim.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from vision_rom.angles.vectors import angle_between_deg, runs_of
from vision_rom.errors import UsageError
from vision_rom.examination import examine_landmarks, segments_in
from vision_rom.handover import SIDES, Segment, Side
from vision_rom.measure import find_landmarks
from vision_rom.motion.naming import UNKNOWN
from vision_rom.pose import PoseSettings
from vision_rom.proof.clips import found_landmarks, rendered_clip
from vision_rom.proof.examination_cases import CLAIMED_PEOPLE, SEEN_PEOPLE, ExaminationCase, examination_cases
from vision_rom.readings import Measurement
from vision_rom.synthetic.choreography import pose_at
from vision_rom.synthetic.people import make_person
from vision_rom.synthetic.script import Exercise, duration_s
from vision_rom.synthetic.truth import arm_directions, smaller_is_further
from vision_rom.synthetic.truth_file import ClipTruth

AWAY_DEG = 15.0
TRUTH_HZ = 30.0
WITHIN_S = 0.3
SHORTEST_S = 0.3
GROUPS = {
    "abduction": "abduction and scaption",
    "flexion": "flexion and extension",
    "extension": "flexion and extension",
    "external_rotation": "rotation at the side",
    "internal_rotation": "rotation at the side",
    "external_rotation_90": "rotation at 90",
    "internal_rotation_90": "rotation at 90",
    "elbow_flexion": "elbow flexion",
    "hand_behind_back": "hand behind back (ratio)",
}


@dataclass(frozen=True, slots=True)
class TrueSegment:
    """When an arm was truly away from rest, and for which movement."""

    movement: str
    side: Side
    start_s: float
    end_s: float


def true_segments(one: ExaminationCase) -> list[TrueSegment]:
    """Return every true segment of a case, in order of time."""
    description = one.case.description
    script, person = description.script, make_person(description.person)
    times = np.arange(0.0, script.duration_s, 1.0 / TRUTH_HZ)
    stances = [person.skeleton(pose_at(script, float(t), person)) for t in times]
    spans, clock = [], 0.0
    for act in script.acts:
        if isinstance(act, Exercise):
            spans.append((clock, clock + duration_s(act), act))
        clock += duration_s(act)
    found = []
    for side in SIDES:
        directions = np.array([np.concatenate(arm_directions(stance, side)) for stance in stances])
        busy = np.zeros(len(times), np.bool_)
        own = [(begin, end, act) for begin, end, act in spans if side in act.sides]
        for begin, end, _ in own:
            busy |= (times >= begin) & (times <= end)
        rest = np.median(directions[~busy], axis=0)
        away = np.maximum(
            angle_between_deg(directions[:, :3], rest[:3]), angle_between_deg(directions[:, 3:], rest[3:])
        )
        for begin, end, act in own:
            inside = (times >= begin - SHORTEST_S) & (times <= end + SHORTEST_S) & (away > AWAY_DEG)
            for first, last in runs_of(inside):
                if times[last] - times[first] > SHORTEST_S:
                    found.append(TrueSegment(act.movement, side, float(times[first]), float(times[last])))
    return sorted(found, key=lambda one: (one.start_s, one.side))


def segment_rows(one: ExaminationCase, segments: tuple[Segment, ...]) -> Iterator[dict[str, Any]]:
    """Yield a row for each true segment, then one for each found one that matches none."""
    used = set()
    for true in true_segments(one):
        overlaps = [
            (min(true.end_s, found.end_s) - max(true.start_s, found.start_s), place)
            for place, found in enumerate(segments)
            if found.side == true.side
        ]
        overlap, place = max(overlaps, default=(0.0, -1))
        row = {
            "clip": one.case.name,
            "company": one.company,
            "movement": true.movement,
            "side": true.side,
            "start_s": round(true.start_s, 2),
            "end_s": round(true.end_s, 2),
        }
        if overlap < SHORTEST_S:
            yield row | {"outcome": "missed"}
            continue
        used.add(place)
        found = segments[place]
        outcome = "right" if found.movement == true.movement else "unknown" if found.movement == UNKNOWN else "wrong"
        yield row | {
            "outcome": outcome,
            "found": found.movement,
            "best_guess": found.best_guess,
            "confidence": round(found.confidence, 2),
            "start_error_s": round(found.start_s - true.start_s, 2),
            "end_error_s": round(found.end_s - true.end_s, 2),
        }
    for place, found in enumerate(segments):
        if place not in used:
            yield {
                "clip": one.case.name,
                "company": one.company,
                "side": found.side,
                "start_s": round(found.start_s, 2),
                "end_s": round(found.end_s, 2),
                "outcome": "nothing there, unknown" if found.movement == UNKNOWN else "nothing there, named",
                "found": found.movement,
                "best_guess": found.best_guess,
                "confidence": round(found.confidence, 2),
            }


def reading_rows(one: ExaminationCase, measured: Measurement, truth: ClipTruth) -> Iterator[dict[str, Any]]:
    """Yield a row for each movement and side that the examination gave a result for."""
    values = [
        (reading.movement, reading.side, reading.status, reading.held_deg, reading.interval95_deg, reading.reason)
        for reading in measured.readings
    ]
    values += [
        (place.movement, place.side, place.status, place.value, place.interval95, place.reason)
        for place in measured.places
    ]
    for movement, side, status, value, (low, high), reason in values:
        held = [rep.held for rep in truth.repetitions if (rep.movement, rep.side) == (movement, side)]
        if not held:
            continue
        # the furthest reach of several counts for a place; a reading is the mean of its repetitions
        true = min(held) if smaller_is_further(movement) else float(np.mean(held))  # type: ignore[arg-type]
        yield {
            "clip": one.case.name,
            "company": one.company,
            "movement": movement,
            "side": side,
            "status": status,
            "value": round(value, 2),
            "true": round(true, 2),
            "error": round(value - true, 2),
            "low": round(low, 2),
            "high": round(high, 2),
            "reason": reason or "",
        }


def follower_row(one: ExaminationCase, path: Path, cache: Path) -> dict[str, Any]:
    """Return whether the person who copies was found to be the patient."""
    _, known = found_landmarks(one.case, path, cache, model="full")
    try:
        _, track = find_landmarks(
            path,
            settings=PoseSettings(person="follower"),
            mirrored=False,
            time_factor=1.0,
            rate_hz=None,
            cache=cache / "landmarks",
            on_progress=lambda stage, share: None,
        )
    except UsageError:
        # nobody could be said to copy: the user is asked, and nobody is taken for the patient
        return {"clip": one.case.name, "found": False}
    same = np.nanmedian(np.abs(known.landmarks_px[:, 23, 0] - track.landmarks_px[:, 23, 0]))
    return {"clip": one.case.name, "found": bool(same < 1.0)}


def summary_of(segments: pd.DataFrame, readings: pd.DataFrame, followers: list[dict[str, Any]]) -> dict[str, Any]:
    """Return shares and errors."""
    true = segments[segments["movement"].notna()]
    counts = true["outcome"].value_counts()
    named_nothing = int((segments["outcome"] == "nothing there, named").sum())
    right = true[true["outcome"] == "right"]
    limits = pd.concat([right["start_error_s"], right["end_error_s"]]).abs()
    measured = readings[readings["status"] == "measured"].assign(
        group=lambda table: table["movement"].map(GROUPS),
        size=lambda table: table["error"].abs(),
        holds=lambda table: (table["true"] >= table["low"]) & (table["true"] <= table["high"]),
    )
    groups = {
        str(name): {
            "readings": len(rows),
            "mean_absolute_error": round(float(rows["size"].mean()), 3),
            "p95": round(float(rows["size"].quantile(0.95)), 3),
            "bias": round(float(rows["error"].mean()), 3),
            "interval_holds": round(float(rows["holds"].mean()), 3),
        }
        for name, rows in measured.groupby("group")
    }
    refused = readings[readings["status"] != "measured"]["movement"].value_counts()
    return {
        "people": int(segments["clip"].nunique()),
        "true_segments": len(true),
        "named_right": round(float(counts.get("right", 0) / len(true)), 4),
        "named_wrong": round(float((counts.get("wrong", 0) + named_nothing) / len(true)), 4),
        "unknown": round(float(counts.get("unknown", 0) / len(true)), 4),
        "missed": round(float(counts.get("missed", 0) / len(true)), 4),
        "limits_within_0.3_s": round(float((limits <= WITHIN_S).mean()), 4),
        "limits_p95_s": round(float(limits.quantile(0.95)), 2),
        "readings": groups,
        "not_measured": {str(name): int(count) for name, count in refused.items()},
        "follower_found": f"{sum(one['found'] for one in followers)} of {len(followers)}",
    }


def main() -> None:
    """Run the bench and write its tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("cache", type=Path)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--people", choices=["claimed", "seen"], default="claimed")
    parser.add_argument("--part", default="0/1", help="which share of the recordings to render, as 0/2, and stop")
    arguments = parser.parse_args()
    cases = list(examination_cases(CLAIMED_PEOPLE if arguments.people == "claimed" else SEEN_PEOPLE))
    part, parts = (int(word) for word in arguments.part.split("/"))
    if parts > 1:
        for one in cases[part::parts]:
            found_landmarks(one.case, rendered_clip(one.case, arguments.cache)[0], arguments.cache, model="full")
        return
    segments: list[dict[str, Any]] = []
    readings: list[dict[str, Any]] = []
    followers: list[dict[str, Any]] = []
    for one in cases:
        path, truth = rendered_clip(one.case, arguments.cache)
        clip, track = found_landmarks(one.case, path, arguments.cache, model="full")
        found = segments_in(track)
        segments += segment_rows(one, found)
        readings += reading_rows(one, examine_landmarks(clip, track, segments=found), truth)
        if one.company == "examiner demonstrates":
            followers.append(follower_row(one, path, arguments.cache))
    tables = pd.DataFrame(segments), pd.DataFrame(readings)
    arguments.out.mkdir(parents=True, exist_ok=True)
    for name, table in zip(("segments", "readings"), tables, strict=True):
        table.to_csv(arguments.out / f"{name}.csv", index=False)
    text = json.dumps(summary_of(*tables, followers), indent=2)
    (arguments.out / "summary.json").write_text(text + "\n", encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
