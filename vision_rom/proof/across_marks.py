"""Adduction across the body by an elbow marked in the picture: the lines learned, and the claim. Run by hand.

    python -m vision_rom.proof.across_marks SEEN_FOLDER CLAIMED_FOLDER --out tests/examination/across

The lines of ``angles/across_body.py`` are learned from the seen people of ``across_cases.py``, their true elbows (and shoulders) in the picture of
the middle of the half second that the network's own landmarks call furthest. The claim is made on other people, in the same
picture, with marks that err by stated sizes: the true point and a normal error in both directions of the picture, :data:`DRAWS` marks for each
person. The truth is the true half second furthest across. Writes ``lines.json`` and ``marks.json``.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from vision_rom.angles import ViewEstimate, find_view
from vision_rom.angles.across_body import (
    LINES,
    MARK_SD_WIDTHS,
    MARKED_SHOULDER,
    NETWORK_SHOULDER,
    Line,
    across_at,
    marked_place,
    place_across,
)
from vision_rom.camera.known_length import KnownLength, scale_of
from vision_rom.handover import SIDES, ArmMark, Clip, Floats, PoseTrack
from vision_rom.marked import with_marks
from vision_rom.motion.furthest import furthest_kept
from vision_rom.places import in_cm, in_cm_by_length
from vision_rom.proof.across_bench import RAISED_FROM_DEG
from vision_rom.proof.across_cases import PEOPLE, across_cases
from vision_rom.proof.cases import ProofCase
from vision_rom.proof.clips import found_landmarks, rendered_clip
from vision_rom.readings import Measurement
from vision_rom.synthetic.people import Person, make_person
from vision_rom.synthetic.pose3d import PoseParameters
from vision_rom.synthetic.truth_file import ClipTruth
from vision_rom.ways import WIDEST_HALF_WIDTH_DEG

CLAIMED = range(64601, 64641)
"""People whom nobody had looked at when the claim was made"""
SIZES = (0.0, 0.02, 0.035, 0.05, 0.065, 0.08, 0.11)
"""Standard deviations of a mark, shoulder widths"""
DRAWS = 25


@dataclass(frozen=True, slots=True)
class Marked:
    """One person, with the marks that a perfect eye would make."""

    name: str
    track: PoseTrack
    view: ViewEstimate
    mark: ArmMark
    """With the true centres of elbow and shoulder"""
    width_px: float
    """Between the true shoulders' centres at rest"""
    angle_deg: float
    distance: float
    clip: Clip
    person: Person

    @property
    def upper_arm_cm(self) -> float:
        """Between the joints' centres, mean of both sides."""
        joints = self.person.joints(PoseParameters())
        sides = [np.linalg.norm(joints[f"{side}_elbow"] - joints[f"{side}_shoulder"]) for side in SIDES]
        return 100.0 * float(np.mean(sides))


def marked_of(case: ProofCase, clip: Clip, track: PoseTrack, truth: ClipTruth) -> Marked | None:
    """Return a person with perfect marks; None where the network's landmarks show no arm that is raised across."""
    arm = truth.arms[case.side]
    raised = np.where(arm["elevation_deg"] > RAISED_FROM_DEG, arm["plane_deg"], np.nan)
    angle_deg, start_s, end_s = furthest_kept(truth.time_s, raised, smaller_is_further=False)
    held = (truth.time_s >= start_s) & (truth.time_s <= end_s)
    view = find_view(track.landmarks_px, track.visibility, track.world_m, network=track.model.name)
    _, from_s, to_s = furthest_kept(track.time_s, place_across(track, case.side, view), smaller_is_further=True)
    if not np.isfinite(from_s):
        return None
    row = int(np.abs(track.time_s - (from_s + to_s) / 2).argmin())
    joints = {name: truth.joints_px[name][track.frame_index] for name in truth.joints_px}
    apart = np.linalg.norm(joints["left_shoulder"] - joints["right_shoulder"], axis=1)
    elbow, shoulder = joints[f"{case.side}_elbow"][row], joints[f"{case.side}_shoulder"][row]
    return Marked(
        name=case.name,
        track=track,
        view=view,
        mark=ArmMark(case.side, float(track.time_s[row]), _pair(elbow), _pair(shoulder)),
        width_px=float(np.median(apart[view.rest])),
        angle_deg=angle_deg,
        distance=float(np.mean(arm["elbow_to_far_shoulder"][held])),
        clip=clip,
        person=make_person(case.description.person),
    )


def learned_lines(people: Sequence[Marked]) -> dict[str, tuple[Line, Line]]:
    """Return the lines of angle and distance, by where the shoulder came from; their spread is that on people left out in turn."""
    return {
        NETWORK_SHOULDER: _lines(people, network=True),
        MARKED_SHOULDER: _lines(people, network=False),
    }


def _lines(people: Sequence[Marked], *, network: bool) -> tuple[Line, Line]:
    seen = [marked_place(one.track, _as_asked(one.mark, network=network), one.view) for one in people]
    columns = np.array([[1.0, one.place, one.turn_deg] for one in seen])
    return (
        _line(columns, np.array([one.angle_deg for one in people])),
        _line(columns, np.array([one.distance for one in people])),
    )


def _line(columns: Floats, true: Floats) -> Line:
    left_out = np.array(
        [
            true[row] - columns[row] @ np.linalg.lstsq(np.delete(columns, row, 0), np.delete(true, row), rcond=None)[0]
            for row in range(len(true))
        ]
    )
    found = np.linalg.lstsq(columns, true, rcond=None)[0]
    at_zero, per_width, per_turn_deg = (round(float(value), 4) for value in found)
    return Line(at_zero, per_width, per_turn_deg, round(float(left_out.std(ddof=1)), 4))


def claim_of(people: Sequence[Marked], *, network: bool, size: float, rng: np.random.Generator) -> dict[str, Any]:
    """Return how marks that err by ``size`` shoulder widths read these people, refused where the interval is too wide."""
    errors_deg, errors, held_deg, held, halves, halves_distance = [], [], [], [], [], []
    refused = 0
    for person in people:
        for _ in range(DRAWS):
            mark = _as_asked(_erring(person, size, rng), network=network)
            read = across_at(person.track, mark, person.view, mark_sd=size)
            if read.reason:
                refused += 1
                continue
            low, high = read.angle95_deg
            halves.append((high - low) / 2)
            halves_distance.append((read.distance95[1] - read.distance95[0]) / 2)
            errors_deg.append(read.angle_deg - person.angle_deg)
            errors.append(read.distance - person.distance)
            held_deg.append(low <= person.angle_deg <= high)
            held.append(read.distance95[0] <= person.distance <= read.distance95[1])
    half_deg = float(np.mean(halves))
    return {
        "mark_sd_widths": size,
        "shoulder": NETWORK_SHOULDER if network else MARKED_SHOULDER,
        "people": len(people),
        "marks": len(people) * DRAWS,
        "refused_for_the_mark": refused,
        "half_width95_deg": round(half_deg, 1),
        "given": half_deg <= WIDEST_HALF_WIDTH_DEG,
        "angle": _figures(np.array(errors_deg), held_deg, 2),
        "half_width95_distance": round(float(np.mean(halves_distance)), 3),
        "distance": _figures(np.array(errors), held, 4),
    }


def centimetres_of(people: Sequence[Marked], *, by: str, rng: np.random.Generator) -> dict[str, Any]:
    """Return how one mark of each person, of the error assumed, reads the distance in cm by the true height or the true upper arm."""
    errors, held, halves = [], [], []
    for person in people:
        mark = _as_asked(_erring(person, MARK_SD_WIDTHS, rng), network=True)
        [place] = with_marks(Measurement(person.clip, person.track, (), (), ""), [mark]).places
        if by == "height":
            place = in_cm(place, 100.0 * person.person.stature_m, person.track)
        else:
            scale = scale_of(KnownLength(person.upper_arm_cm, "upper_arm"), person.track.landmarks_px, None)
            assert scale is not None
            place = in_cm_by_length(place, person.track, scale, source=by)
        true_cm = 100.0 * person.distance * person.person.neutral_shoulder_width_m
        errors.append(place.cm - true_cm)
        held.append(place.cm95[0] <= true_cm <= place.cm95[1])
        halves.append((place.cm95[1] - place.cm95[0]) / 2)
    return {"by": by, "half_width95_cm": round(float(np.mean(halves)), 1), "cm": _figures(np.array(errors), held, 1)}


def _figures(errors: Floats, held: Sequence[bool], digits: int) -> dict[str, Any]:
    size = np.abs(errors)
    return {
        "mean_error": round(float(errors.mean()), digits),
        "mean_absolute_error": round(float(size.mean()), digits),
        "p95": round(float(np.quantile(size, 0.95)), digits),
        "largest": round(float(size.max()), digits),
        "interval_held": int(sum(held)),
        "of": len(held),
    }


def _erring(person: Marked, size: float, rng: np.random.Generator) -> ArmMark:
    assert person.mark.shoulder_px is not None
    wrong_px = size * person.width_px * rng.normal(size=(2, 2))
    return replace(
        person.mark,
        elbow_px=_pair(np.array(person.mark.elbow_px) + wrong_px[0]),
        shoulder_px=_pair(np.array(person.mark.shoulder_px) + wrong_px[1]),
    )


def _as_asked(mark: ArmMark, *, network: bool) -> ArmMark:
    return replace(mark, shoulder_px=None) if network else mark


def _pair(point: Floats) -> tuple[float, float]:
    return float(point[0]), float(point[1])


def _people(numbers: Sequence[int], cache: Path) -> Iterator[Marked]:
    for case in across_cases(numbers):
        path, truth = rendered_clip(case, cache)
        clip, track = found_landmarks(case, path, cache, model="full")
        found = marked_of(case, clip, track, truth)
        if found is not None:
            yield found


def as_plain(lines: Mapping[str, tuple[Line, Line]]) -> dict[str, Any]:
    """Return the lines as plain values."""
    names = ("at_zero", "per_width", "per_turn_deg", "sd")
    return {
        name: {
            what: {one: getattr(line, one) for one in names}
            for what, line in zip(("angle", "distance"), pair, strict=True)
        }
        for name, pair in lines.items()
    }


def main() -> None:
    """Learn the lines; with the claimed people's folder also make the claim."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("seen", type=Path, help="cache of the seen people's recordings and landmarks")
    parser.add_argument("claimed", type=Path, nargs="?", help="the same of the claimed people")
    parser.add_argument("--out", type=Path, required=True)
    arguments = parser.parse_args()
    arguments.out.mkdir(parents=True, exist_ok=True)
    seen = list(_people(PEOPLE, arguments.seen))
    lines = learned_lines(seen)
    _write(arguments.out / "lines.json", {"people": len(seen), "lines": as_plain(lines)})
    if arguments.claimed is None:
        return
    if as_plain(lines) != as_plain(LINES):
        raise SystemExit("The lines in angles/across_body.py are others than those learned here; claim nothing.")
    people = list(_people(CLAIMED, arguments.claimed))
    rng = np.random.default_rng(CLAIMED[0])
    rows = [claim_of(people, network=network, size=size, rng=rng) for network in (True, False) for size in SIZES]
    lengths = [centimetres_of(people, by=by, rng=rng) for by in ("height", "upper arm")]
    _write(
        arguments.out / "marks.json",
        {"not_found_raised": len(CLAIMED) - len(people), "claim": rows, "centimetres": lengths},
    )


def _write(path: Path, values: dict[str, Any]) -> None:
    text = json.dumps(values, indent=2) + "\n"
    path.write_text(text, encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
