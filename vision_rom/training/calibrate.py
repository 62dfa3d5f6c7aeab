"""Set bias and 95% interval on rendered people that neither the network nor the proof knows. Run by hand.

    python -m vision_rom.training.calibrate CACHE_FOLDER

renders and looks (or takes from the cache) the clips of :func:`vision_rom.proof.cases.calibration_set`, measures them, and
writes ``learned/calibration.json``. A run that was stopped goes on where it was. ``--part 0/2`` only fills the cache
with every second clip, so that two processes can share the work.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from vision_rom.angles import find_view
from vision_rom.angles.bias import BiasLine, fit_bias_line, fit_turned_deg
from vision_rom.angles.learned_interval import Group, conformal_factor, expected_errors_deg
from vision_rom.handover import Floats, PoseTrack
from vision_rom.learned.store import ARM_NETWORK_SHA256
from vision_rom.motion import repetitions, smooth
from vision_rom.movements import movement as movement_named
from vision_rom.proof.cases import ProofCase, calibration_set
from vision_rom.proof.clips import found_landmarks, rendered_clip
from vision_rom.ways import faces_camera, filmed_squarely, group_of, picture_intervals, plane_of, raw_curve

FEWEST_FOR_A_LINE = 60
FEWEST_FOR_A_SPLIT = 40
"""Clips of each kind, square and not, that a group needs for two factors instead of one."""
LEAST_GAIN = 0.10
"""A bias is taken off only where that lowers the mean error of people left out by a tenth; less is chance."""
ROTATIONS: tuple[Group, ...] = ("rotation_side", "rotation_90")
SURE_FROM_SES = 2.0
"""The constant of rotations is taken off only where it is so many standard errors from nothing."""
OUT = Path(__file__).parents[1] / "learned" / "calibration.json"


@dataclass(frozen=True, slots=True)
class CalibrationRow:
    """One clip: what was read, what is true, what error was expected."""

    case: ProofCase
    group: Group
    held_deg: float
    picture_deg: float
    """Held value of the plain angle in the picture; NaN where there is none"""
    true_deg: float
    expected_deg: float
    sd_deg: float
    front: bool
    """The patient's front is seen"""
    square: bool = True
    """The camera stood where it should, as far as the recording shows"""
    picture_half_deg: float = float("nan")
    """Half-width of the plain angle's own interval, before any factor"""


def read_clip(case: ProofCase, track: PoseTrack, true_deg: float) -> CalibrationRow | None:
    """Measure one clip by the network; None where the clip gives no repetition."""
    movement = movement_named(case.movement)
    view = find_view(track.landmarks_px, track.visibility, track.world_m, network=track.model.name)
    raw = raw_curve(track, movement, case.side, view, "learned", corrected=False)
    plane = plane_of(movement, track, case.side, view)
    curve = smooth(raw.curve)
    kept = repetitions(curve).kept
    if not kept:
        return None
    plain = repetitions(smooth(raw.picture)).kept
    half = float("nan")
    if plain:
        _, (low, high) = picture_intervals(plain, smooth(raw.picture), movement, track, view, plane)
        half = (high - low) / 2
    expected = expected_errors_deg(kept, curve, raw.expected_sd_deg, raw.picture.angle_deg)
    alone = expected_errors_deg(kept, curve, raw.expected_sd_deg, np.full(len(track.time_s), np.nan))
    return CalibrationRow(
        case=case,
        group=group_of(movement),
        held_deg=float(np.mean([one.held_deg for one in kept])),
        picture_deg=float(np.mean([one.held_deg for one in plain])) if plain else float("nan"),
        true_deg=true_deg,
        expected_deg=float(np.mean(expected)),
        sd_deg=float(np.mean(alone)),
        front=faces_camera(view),
        square=filmed_squarely(track, view, plane),
        picture_half_deg=half,
    )


def calibration_rows(cache: Path, *, part: int = 0, parts: int = 1) -> list[CalibrationRow]:
    """Return a row for every clip of the calibration set that gives a value."""
    rows = []
    cases = calibration_set()[part::parts]
    for number, case in enumerate(cases):
        path, truth = rendered_clip(case, cache)
        _, track = found_landmarks(case, path, cache, model="full")
        held = [one.held for one in truth.repetitions if one.side == case.side]
        row = read_clip(case, track, float(np.mean(held)))
        if row is not None:
            rows.append(row)
        print(f"{number + 1} of {len(cases)}", end="\r", file=sys.stderr)
    return rows


def errors_without_bias(rows: Sequence[CalibrationRow]) -> tuple[BiasLine | None, Floats]:
    """Return the bias line of one group, and the errors (n,) that are left when every person is left out of the fit.

    None, with the errors as they are, where the line does not lower the mean error of the people left out.
    """
    held = np.array([row.held_deg for row in rows])
    errors = held - np.array([row.true_deg for row in rows])
    front = np.array([float(row.front) for row in rows])
    people = np.array([row.case.description.person for row in rows])
    left = np.full(len(rows), np.nan)
    for person in np.unique(people):
        out = people == person
        if (~out).sum() < FEWEST_FOR_A_LINE:
            return None, errors
        line = fit_bias_line(held[~out], errors[~out], front[~out])
        for index in np.flatnonzero(out).tolist():
            left[index] = errors[index] - float(line.bias_deg(held[index : index + 1], front=rows[index].front)[0])
    if np.abs(left).mean() > (1 - LEAST_GAIN) * np.abs(errors).mean():
        return None, errors
    return fit_bias_line(held, errors, front), left


def errors_without_turn(group: Sequence[CalibrationRow]) -> tuple[BiasLine | None, Floats]:
    """Return the constant of a group of rotations, and the errors (n,) that are left when every person is left out of the fit.

    None, with the errors as they are, where the constant is not sure.
    """
    errors = np.array([row.held_deg - row.true_deg for row in group])
    turned, standard_error = _turned(group)
    if not abs(turned) >= SURE_FROM_SES * standard_error:
        return None, errors
    left = [
        error - _direction(row) * _turned([one for one in group if one.case.description.person != person])[0]
        for error, row in zip(errors, group, strict=True)
        for person in [row.case.description.person]
    ]
    return BiasLine(turned_deg=turned), np.array(left)


def _turned(rows: Sequence[CalibrationRow]) -> tuple[float, float]:
    errors = np.array([row.held_deg - row.true_deg for row in rows])
    return fit_turned_deg(errors, np.array([float(_direction(row)) for row in rows]))


def _direction(row: CalibrationRow) -> int:
    return movement_named(row.case.movement).direction


def factors_of(rows: Sequence[CalibrationRow]) -> dict[str, dict[str, Any]]:
    """Return bias line and factor of each group, with what they rest on."""
    groups: dict[str, list[CalibrationRow]] = defaultdict(list)
    for row in rows:
        groups[row.group].append(row)
    found = {}
    for name, group in sorted(groups.items()):
        line, errors = errors_without_turn(group) if name in ROTATIONS else errors_without_bias(group)
        expected = np.array([row.expected_deg for row in group])
        square = np.array([row.square for row in group])
        split = min(square.sum(), (~square).sum()) >= FEWEST_FOR_A_SPLIT
        whole = np.ones(len(group), bool)
        factor, factor_off = (
            conformal_factor(errors[part], expected[part]) for part in ((square, ~square) if split else (whole, whole))
        )
        halves = expected * np.where(square, factor, factor_off)
        found[name] = {
            "factor": round(factor, 4),
            "factor_off": round(factor_off, 4),
            "picture_factor": _picture_factor(group),
            "bias": None if line is None else {key: round(value, 5) for key, value in asdict(line).items()},
            "clips": len(group),
            "people": len({row.case.description.person for row in group}),
            "mean_absolute_error_deg": round(float(np.abs(errors).mean()), 2),
            "bias_left_deg": round(float(errors.mean()), 2),
            "median_half_width_deg": round(float(np.median(halves)), 2),
            "median_half_width_square_deg": round(float(np.median(halves[square])), 2) if square.any() else None,
        }
    return found


def _picture_factor(rows: Sequence[CalibrationRow]) -> float | None:
    """Return what the plain angle's own interval must be multiplied by to hold in 95%; None without such an angle."""
    known = [row for row in rows if np.isfinite(row.picture_deg) and np.isfinite(row.picture_half_deg)]
    if not known:
        return None
    errors = np.array([row.picture_deg - row.true_deg for row in known])
    return round(conformal_factor(errors, np.array([row.picture_half_deg for row in known])), 4)


def main() -> None:
    """Measure the calibration set and write the factors."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("cache", type=Path)
    parser.add_argument("--part", default="0/1", help="which share of the clips, as 0/2; writes factors only for 0/1")
    arguments = parser.parse_args()
    part, parts = (int(word) for word in arguments.part.split("/"))
    rows = calibration_rows(arguments.cache, part=part, parts=parts)
    if parts > 1:
        return
    document = {"arm_network_sha256": ARM_NETWORK_SHA256, "groups": factors_of(rows)}
    temporary = OUT.with_suffix(".writing")
    temporary.write_text(json.dumps(document, indent=2) + "\n", encoding="utf-8")
    temporary.replace(OUT)
    print(json.dumps(document, indent=2))


if __name__ == "__main__":
    main()
