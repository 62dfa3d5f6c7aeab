"""Pain signalled by hand at known angles, and sixty recordings without a signal. Run by hand.

    python -m vision_rom.proof.pain_bench CACHE_FOLDER --out tests/pain/bench

Rendered people of no other set raise one arm at about 40 degrees a second. In forty of the recordings the other hand is held up
while it "hurts": it sets out a stated reaction time after the onset and after the end. In sixty the other hand does something else:
scratches the head, rests on the hip, moves with the measured arm, or waves. ``onsets.csv`` holds every onset and end, ``false_marks.csv``
every recording without a signal, ``summary.json`` what they come to.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from vision_rom.handover import SIDES, Side, other_side
from vision_rom.pain import REACTIONS, PainAsked, hand_signal_marks
from vision_rom.proof.cases import ProofCase
from vision_rom.proof.clips import found_landmarks, rendered_clip
from vision_rom.readings import measure_landmarks
from vision_rom.recorded_pain import with_pain
from vision_rom.synthetic.camera import Camera, CameraView
from vision_rom.synthetic.clip_description import ClipDescription
from vision_rom.synthetic.pose3d import ArmPose
from vision_rom.synthetic.script import Exercise, Gesture, Movement, PainMark, Repetition, Script
from vision_rom.synthetic.truth_file import ClipTruth

FIRST_PERSON, FIRST_ROOM = 75001, 27900
TEMPER = 6177
"""Other people, rooms and moments than those that the search for signals was written with (70001 to 70100, 27000, 6174) and
mended with (71001 to 71100, 27500, 6175; 73001 to 73100, 27700, 6176)"""
WITH_SIGNAL, WITHOUT = 40, 60
RATE_HZ = 15.0
READY_S, HOLD_S = 0.6, 0.8
MEAN_SPEED_DEG_S = 40.0 / 1.875
"""The fastest instant of a raise of least jerk is 1.875 times its mean, so this passes the arc at up to 40 deg/s"""
LIFT_S = (0.3, 0.8)
"""Fastest and slowest way of a signalling hand, drawn for each person, up and down apart"""
HABITS = ("scratches the head", "hand on the hip", "moves with the other arm", "waves", "hangs")
ALLOWED_DEG = 5.0


@dataclass(frozen=True, slots=True)
class SignalCase:
    """One recording."""

    case: ProofCase
    habit: str
    """``signals``, or what the other hand does instead"""


def signal_cases() -> Iterator[SignalCase]:
    """Yield every recording of the bench, the same each time."""
    movements: tuple[Movement, ...] = ("abduction", "scaption", "flexion")
    for number in range(WITH_SIGNAL + WITHOUT):
        rng = np.random.default_rng((number, TEMPER))
        movement = movements[number % 3]
        side: Side = SIDES[int(rng.integers(2))]
        habit = "signals" if number < WITH_SIGNAL else HABITS[number % len(HABITS)]
        yield SignalCase(_case(number, movement, side, habit, rng), habit)


def _case(number: int, movement: Movement, side: Side, habit: str, rng: np.random.Generator) -> ProofCase:
    other = other_side(side)
    peak = float(rng.uniform(130, 165))
    way_s = peak / MEAN_SPEED_DEG_S
    exercise = Exercise(
        movement,
        "both" if habit == "moves with the other arm" else side,
        (Repetition(peak, way_s, HOLD_S, way_s, rest_s=0.6),),
        ready_s=READY_S,
    )
    script = Script(acts=(exercise,), seed=number)
    lag_s = REACTIONS["hand signal"].lag_s
    if habit == "signals":
        # somewhere in the middle half of the way up, and of the way down
        onset_s = READY_S + way_s * float(rng.uniform(0.35, 0.55))
        end_s = READY_S + way_s + HOLD_S + way_s * float(rng.uniform(0.40, 0.65))
        # of the person's own seed, so that a hand's speed moves none of the other draws
        lift_s, lower_s = np.random.default_rng((FIRST_PERSON + number, 45)).uniform(*LIFT_S, 2)
        mark = PainMark(other, onset_s + lag_s, end_s + lag_s, float(lift_s), float(lower_s))
        script = replace(script, pain_marks=(mark,))
    elif habit != "moves with the other arm" and habit != "hangs":
        script = replace(script, gestures=(_gesture(habit, other, rng, way_s),))
    view: CameraView = "front"
    if movement == "flexion":
        # turned a little to the front of the side, so that the other hand is in view
        view = "left_side" if side == "left" else "right_side"
    toward_front = 22.0 * (-1 if side == "left" else 1) if movement == "flexion" else 0.0
    camera = Camera(
        view=view,
        off_plane_deg=toward_front + float(rng.uniform(-5, 5)),
        distance_m=float(rng.uniform(2.6, 3.2)),
        height_m=float(rng.uniform(1.0, 1.25)),
        tilt_deg=float(rng.normal(0, 2)),
        vertical_fov_deg=60.0,
        width_px=384,
        height_px=512,
    )
    person = FIRST_PERSON + number
    description = ClipDescription(
        person=person, script=script, camera=camera, room=FIRST_ROOM + number, rate_hz=RATE_HZ, seed=number
    )
    return ProofCase(
        name=f"pain-{number:03d}-{movement}-{side}-{person}",
        movement=movement,
        side=side,
        view="side" if movement == "flexion" else "front",
        condition="wanted view",
        description=description,
    )


def _gesture(habit: str, side: Side, rng: np.random.Generator, way_s: float) -> Gesture:
    start_s = READY_S + float(rng.uniform(0.2, 1.0)) * way_s
    poses = {
        "scratches the head": (ArmPose(95.0, 55.0, 20.0, 135.0), 14.0),
        "hand on the hip": (ArmPose(38.0, -15.0, -40.0, 95.0), 0.0),
        "waves": (ArmPose(70.0, 30.0, 40.0, 80.0), 25.0),
    }
    pose, shake_deg = poses[habit]
    return Gesture(side, start_s, start_s + float(rng.uniform(0.8, 2.5)), pose, shake_deg=shake_deg)


def first_cases(with_signal: int, without: int) -> list[SignalCase]:
    """Return the first so many recordings of each half of the bench."""
    cases = list(signal_cases())
    return cases[: min(with_signal, WITH_SIGNAL)] + cases[WITH_SIGNAL : WITH_SIGNAL + without]


def onset_rows(cases: Sequence[SignalCase], cache: Path) -> Iterator[dict[str, Any]]:
    """Yield one row for each onset and end that was signalled."""
    for one in cases:
        if one.habit != "signals":
            continue
        case = one.case
        path, truth = rendered_clip(case, cache)
        clip, track = found_landmarks(case, path, cache, model="full")
        measured = measure_landmarks(clip, track, movement=case.movement, side=case.side)
        reading = measured.readings[0]
        [pain] = with_pain(measured, PainAsked(signals=("hand",))).pain
        [signal] = case.description.script.pain_marks
        lag_s = REACTIONS["hand signal"].lag_s
        for what, time_s, found in (
            ("onset", signal.start_s - lag_s, pain.arc.onset_raising),
            ("end", signal.end_s - lag_s, pain.arc.end_lowering),
        ):
            true_deg = _true_deg(truth, case, time_s)
            row = {
                "clip": case.name,
                "movement": case.movement,
                "what": what,
                "true_time_s": round(time_s, 3),
                "true_deg": round(true_deg, 1),
                "speed_deg_s": round(_speed_deg_s(truth, case, time_s)),
                "reading": reading.reason or "measured",
                "refused": "",
            }
            if found is not None and not found.usable:
                row["refused"] = "too fast" if found.seen else "not seen"
            elif found is not None:
                low, high = found.interval95_deg
                row |= {
                    "found_time_s": round(found.time_s, 3),
                    "found_deg": round(found.angle_deg, 1),
                    "error_deg": round(found.angle_deg - true_deg, 1),
                    "interval_holds": low <= true_deg <= high,
                }
            yield row


def _speed_deg_s(truth: ClipTruth, case: ProofCase, time_s: float) -> float:
    return abs(_true_deg(truth, case, time_s + 0.1) - _true_deg(truth, case, time_s - 0.1)) / 0.2


def _true_deg(truth: ClipTruth, case: ProofCase, time_s: float) -> float:
    return float(np.interp(time_s, truth.time_s, truth.arms[case.side]["elevation_deg"]))


def false_rows(cases: Sequence[SignalCase], cache: Path) -> Iterator[dict[str, Any]]:
    """Yield one row for each recording without a signal."""
    for one in cases:
        if one.habit == "signals":
            continue
        path, _ = rendered_clip(one.case, cache)
        _, track = found_landmarks(one.case, path, cache, model="full")
        marks = hand_signal_marks(track, measured=one.case.side)
        yield {
            "clip": one.case.name,
            "other_hand": one.habit,
            "false_marks": len(marks),
            "times": "; ".join(f"{mark.start_s:.1f}-{mark.end_s:.1f}" for mark in marks),
        }


def summary_of(onsets: pd.DataFrame, false: pd.DataFrame) -> dict[str, Any]:
    """Return shares and percentiles of both tables."""
    found = onsets[onsets["found_deg"].notna()]
    size = found["error_deg"].abs().astype(float)
    return {
        "signalled": len(onsets),
        "found": len(found),
        "refused": int((onsets["refused"] != "").sum()),
        "within_5_deg_of_found": round(float((size <= ALLOWED_DEG).mean()), 3),
        "within_5_deg_of_signalled": round(float((size <= ALLOWED_DEG).sum() / len(onsets)), 3),
        "mean_absolute_error_deg": round(float(size.mean()), 2),
        "bias_deg": round(float(found["error_deg"].astype(float).mean()), 2),
        "p95_deg": round(float(size.quantile(0.95)), 2),
        "median_speed_deg_s": float(found["speed_deg_s"].median()),
        "interval_holds": round(float(found["interval_holds"].astype(bool).mean()), 3),
        "without_signal": len(false),
        "with_false_marks": int((false["false_marks"] > 0).sum()) if len(false) else None,
        "reaction_s": REACTIONS["hand signal"].lag_s,
    }


def main() -> None:
    """Run the bench and write its tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("cache", type=Path)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--part", default="0/1", help="which share of the recordings to render, as 0/2, and stop")
    parser.add_argument("--with-signal", type=int, default=WITH_SIGNAL, help="only the first so many with a signal")
    parser.add_argument("--without", type=int, default=WITHOUT, help="only the first so many without one")
    arguments = parser.parse_args()
    cases = first_cases(arguments.with_signal, arguments.without)
    part, parts = (int(word) for word in arguments.part.split("/"))
    if parts > 1:
        for one in cases[part::parts]:
            path, _ = rendered_clip(one.case, arguments.cache)
            found_landmarks(one.case, path, arguments.cache, model="full")
        return
    onsets = pd.DataFrame(onset_rows(cases, arguments.cache))
    false = pd.DataFrame(false_rows(cases, arguments.cache))
    arguments.out.mkdir(parents=True, exist_ok=True)
    onsets.to_csv(arguments.out / "onsets.csv", index=False)
    false.to_csv(arguments.out / "false_marks.csv", index=False)
    text = json.dumps(summary_of(onsets, false), indent=2)
    (arguments.out / "summary.json").write_text(text + "\n", encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
