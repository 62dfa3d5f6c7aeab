"""What the landmarks tell of adduction across the body, seen from the front. Run by hand.

    python -m vision_rom.proof.across_bench CACHE_FOLDER --out tests/examination/across

Each person of ``across_cases.PEOPLE`` goes across once, some just past straight ahead, some fully. In the true half second furthest across the elbow's distance from the
far shoulder (shoulder widths) and the angle (plane of elevation of the raised arm: 0 to the side, 90 straight ahead) are read
from figures of the landmarks by a straight line that was learned from all other people. ``errors.csv`` holds a row for each way of reading and
person, ``summary.json`` what they come to. The half second is given, so a reading in use would err more. ``--model heavy``, ``--first N`` (people) and ``--turn DEG`` (camera moved
towards the side of the arm) ask the same of other landmarks.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from vision_rom.angles import ViewEstimate, find_view
from vision_rom.angles.arm_path import arm_path
from vision_rom.angles.elevation import trunk_down_px
from vision_rom.angles.vectors import along_and_across
from vision_rom.handover import Floats, Landmark, PoseTrack, Side, other_side
from vision_rom.learned import load_arm_network
from vision_rom.motion.furthest import furthest_kept
from vision_rom.proof.across_cases import PEOPLE, across_cases
from vision_rom.proof.cases import ProofCase
from vision_rom.proof.clips import found_landmarks, rendered_clip
from vision_rom.synthetic.truth_file import ClipTruth

RAISED_FROM_DEG = 60.0
"""True elevation from which the arm is called raised"""
STRAIGHT_BELOW_DEG = 40.0
"""Estimated bend above which the elbow is called bent"""
HANGS_ARMS = 0.75
"""An arm hangs whose elbow is further below the shoulder than this share of the arm's seen length."""
BEND_FIGURES = ("forearm", "hand", "wrist_depth")
STRAIGHT_ONLY = "whole arm, where the elbow looks straight"
WAYS: Mapping[str, tuple[str, ...]] = {
    "mean of the others": (),
    "elbow": ("elbow", "turn"),
    "elbow and wrist": ("elbow", "wrist", "arm", "turn"),
    "pose network's metres": ("metres", "turn"),
    "arm network": ("plane",),
    "whole arm": ("whole_arm", "arm", "turn"),
    STRAIGHT_ONLY: ("whole_arm", "arm", "turn"),
    "true joint centres in the picture": ("true_elbow", "true_far", "true_arm", "turn"),
}
"""What each way reads from, as :func:`figures_of` names it"""


@dataclass(frozen=True, slots=True)
class Across:
    """One person, in the half second in which the raised arm was furthest across."""

    clip: str
    distance: float
    """True, from the elbow's centre to that of the far shoulder, in widths between the shoulders' centres in the neutral stance"""
    angle_deg: float
    bend_deg: float
    """True flexion of the elbow"""
    figures: dict[str, float]


def across_of(case: ProofCase, track: PoseTrack, truth: ClipTruth) -> Across:
    """Return what was true and what the landmarks showed.

    The half second is found by the angle: where an arm hardly passes straight ahead, the elbow comes nearer to the far shoulder on
    its way down.
    """
    arm = truth.arms[case.side]
    raised = np.where(arm["elevation_deg"] > RAISED_FROM_DEG, arm["plane_deg"], np.nan)
    angle_deg, start_s, end_s = furthest_kept(truth.time_s, raised, smaller_is_further=False)
    held = (truth.time_s >= start_s) & (truth.time_s <= end_s)
    view = find_view(track.landmarks_px, track.visibility, track.world_m, network=track.model.name)
    seen = figures_of(case.side, track, view) | _true_figures(case.side, track, truth, view)
    inside = (track.time_s >= start_s - 1e-6) & (track.time_s <= end_s + 1e-6)
    return Across(
        clip=case.name,
        distance=float(np.mean(arm["elbow_to_far_shoulder"][held])),
        angle_deg=angle_deg,
        bend_deg=float(np.mean(arm["elbow_deg"][held])),
        figures={name: float(np.nanmedian(values[inside])) for name, values in seen.items()},
    )


def figures_of(side: Side, track: PoseTrack, view: ViewEstimate) -> dict[str, Floats]:
    """Return figures (n,) of every picture.

    ``elbow`` and ``whole_arm`` are the places of elbow and wrist against their own shoulder, ``wrist`` that of the wrist against the far one,
    towards the arm's own side, ``arm`` the hanging upper arm's length, all in seen shoulder widths at rest; ``turn`` that of the resting trunk,
    positive with the arm's side forward, in units of 10 degrees; ``forearm`` and ``hand`` seen lengths as shares of the hanging ones; ``wrist_depth`` behind the elbow, m;
    ``metres`` from elbow to far shoulder in the network's own metres over its shoulders' distance at rest; ``plane`` the arm network's, deg.
    """
    px = track.landmarks_px[..., :2]
    part = {name: px[:, Landmark.of(side, name)] for name in ("shoulder", "elbow", "wrist", "index")}
    metres = {name: track.world_m[:, Landmark.of(side, name)] for name in ("shoulder", "elbow", "wrist")}
    far_row = Landmark.of(other_side(side), "shoulder")
    hanging = _hanging(side, track, view)

    def at_rest(first: Floats, second: Floats) -> float:
        return float(np.median(np.linalg.norm(first - second, axis=1)[hanging]))

    width = at_rest(part["shoulder"], px[:, far_row])
    own, down = _own(side), trunk_down_px(px)
    path = arm_path(track, side, network=load_arm_network(), facing_deg=view.facing_deg)

    def towards_own(end: Floats, start: Floats) -> Floats:
        return np.asarray(own * along_and_across(end - start, down)[1] / width)

    def share(end: str, start: str) -> Floats:
        return np.asarray(np.linalg.norm(part[end] - part[start], axis=1) / at_rest(part[end], part[start]))

    apart = np.linalg.norm(metres["elbow"] - track.world_m[:, far_row], axis=1)
    return {
        "elbow": towards_own(part["elbow"], part["shoulder"]),
        "whole_arm": towards_own(part["wrist"], part["shoulder"]),
        "wrist": towards_own(part["wrist"], px[:, far_row]),
        "arm": np.full(len(px), at_rest(part["shoulder"], part["elbow"]) / width),
        "turn": np.full(len(px), own * view.facing_deg / 10.0),
        "forearm": share("wrist", "elbow"),
        "hand": share("index", "wrist"),
        "wrist_depth": metres["wrist"][:, 2] - metres["elbow"][:, 2],
        "metres": apart / at_rest(metres["shoulder"], track.world_m[:, far_row]),
        "plane": path.plane_deg,
    }


def _true_figures(side: Side, track: PoseTrack, truth: ClipTruth, view: ViewEstimate) -> dict[str, Floats]:
    """Return the same places by the true joint centres in the picture: what perfect landmarks would tell."""
    joint = {name: truth.joints_px[name][track.frame_index] for name in truth.joints_px}
    shoulder, elbow, far = joint[f"{side}_shoulder"], joint[f"{side}_elbow"], joint[f"{other_side(side)}_shoulder"]
    hanging = _hanging(side, track, view)
    width = float(np.median(np.linalg.norm(shoulder - far, axis=1)[hanging]))
    arm = float(np.median(np.linalg.norm(elbow - shoulder, axis=1)[hanging])) / width
    # the picture's left is the person's right from the front
    left = -_own(side)
    return {
        "true_elbow": left * (elbow - shoulder)[:, 0] / width,
        "true_far": left * (elbow - far)[:, 0] / width,
        "true_arm": np.full(len(elbow), arm),
    }


def _hanging(side: Side, track: PoseTrack, view: ViewEstimate) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    px = track.landmarks_px[..., :2]
    upper_arm = px[:, Landmark.of(side, "elbow")] - px[:, Landmark.of(side, "shoulder")]
    below, _ = along_and_across(upper_arm, trunk_down_px(px))
    return np.asarray(view.rest & (below > HANGS_ARMS * np.linalg.norm(upper_arm, axis=1)))


def _own(side: Side) -> float:
    """Return the sign of the arm's own side, clockwise of "down" as the picture shows it: its left, the right of a person seen from the front."""
    return 1.0 if side == "right" else -1.0


def error_rows(people: Sequence[Across], way: str) -> list[dict[str, Any]]:
    """Return a row for each person that a way reads, by lines learned from the others."""
    rows = []
    for person in people:
        others = [one for one in people if one is not person]
        if way == STRAIGHT_ONLY:
            bend = _line(others, BEND_FIGURES, [one.bend_deg for one in others])
            others = [one for one in others if _along(bend, one, BEND_FIGURES) < STRAIGHT_BELOW_DEG]
            if _along(bend, person, BEND_FIGURES) >= STRAIGHT_BELOW_DEG:
                continue
        distance = _along(_line(others, WAYS[way], [one.distance for one in others]), person, WAYS[way])
        angle_deg = _along(_line(others, WAYS[way], [one.angle_deg for one in others]), person, WAYS[way])
        rows.append(
            {
                "way": way,
                "clip": person.clip,
                "true_bend_deg": round(person.bend_deg, 1),
                "true_distance": round(person.distance, 3),
                "distance": round(distance, 3),
                "true_angle_deg": round(person.angle_deg, 1),
                "angle_deg": round(angle_deg, 1),
            }
        )
    return rows


def _line(people: Sequence[Across], names: Sequence[str], true: Sequence[float]) -> Floats:
    """Return intercept and slopes by least squares."""
    columns = np.array([[1.0, *(one.figures[name] for name in names)] for one in people])
    return np.asarray(np.linalg.lstsq(columns, np.array(true), rcond=None)[0])


def _along(line: Floats, person: Across, names: Sequence[str]) -> float:
    return float(line @ np.array([1.0, *(person.figures[name] for name in names)]))


def summary_of(errors: pd.DataFrame) -> dict[str, Any]:
    """Return mean absolute error, standard deviation, 95th percentile and largest error of each way.

    ``half_width95`` is what one more reading may err by either way: Student's prediction interval from so few errors.
    """
    found: dict[str, Any] = {}
    for way, rows in errors.groupby("way", sort=False):
        found[str(way)] = {"people": len(rows)}
        widening = float(stats.t.ppf(0.975, len(rows) - 1)) * np.sqrt(1.0 + 1.0 / len(rows))
        for name, true, digits in (("distance", "true_distance", 3), ("angle_deg", "true_angle_deg", 1)):
            error = rows[name] - rows[true]
            found[str(way)][name] = {
                "mean_absolute_error": round(float(error.abs().mean()), digits),
                "sd": round(float(error.std()), digits),
                "half_width95": round(float(widening * error.std()), digits),
                "p95": round(float(error.abs().quantile(0.95)), digits),
                "largest": round(float(error.abs().max()), digits),
            }
    return found


def main() -> None:
    """Render and look where that was not done yet, and write the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("cache", type=Path)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--model", choices=["full", "heavy"], default="full")
    parser.add_argument("--first", type=int, default=len(PEOPLE), help="how many of the people")
    parser.add_argument(
        "--turn", type=float, default=0.0, help="degrees by which the camera stands towards the arm's side"
    )
    arguments = parser.parse_args()
    people = []
    for one in islice(across_cases(PEOPLE), arguments.first):
        case = _turned(one, arguments.turn)
        path, truth = rendered_clip(case, arguments.cache)
        _, track = found_landmarks(case, path, arguments.cache, model=arguments.model)
        people.append(across_of(case, track, truth))
    errors = pd.DataFrame([row for way in WAYS for row in error_rows(people, way)])
    arguments.out.mkdir(parents=True, exist_ok=True)
    errors.to_csv(arguments.out / "errors.csv", index=False)
    text = json.dumps(summary_of(errors), indent=2)
    (arguments.out / "summary.json").write_text(text + "\n", encoding="utf-8")
    print(text)


def _turned(case: ProofCase, turn_deg: float) -> ProofCase:
    if turn_deg == 0.0:
        return case
    camera = case.description.camera
    towards_deg = turn_deg if case.side == "left" else -turn_deg
    camera = replace(camera, off_plane_deg=camera.off_plane_deg + towards_deg)
    return replace(case, name=f"{case.name}-turn{turn_deg:.0f}", description=replace(case.description, camera=camera))


if __name__ == "__main__":
    main()
