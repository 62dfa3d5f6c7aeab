"""Set the factors of the 95% interval on rendered people that neither the network nor the proof knows. Run by hand.

    python -m vision_rom.training.calibrate CACHE_FOLDER

renders and looks (or takes from the cache) the clips of :func:`vision_rom.proof.cases.calibration_set`, measures them, and
writes ``learned/interval_factors.json``. A run that was stopped goes on where it was. ``--part 0/2`` only fills the cache
with every second clip, so that two processes can share the work.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from vision_rom.angles import find_view
from vision_rom.angles.learned_interval import Group, conformal_factor, expected_errors_deg
from vision_rom.handover import PoseTrack
from vision_rom.learned.store import ARM_NETWORK_SHA256
from vision_rom.motion import repetitions, smooth
from vision_rom.movements import movement as movement_named
from vision_rom.proof.cases import ProofCase, calibration_set
from vision_rom.proof.clips import found_landmarks, rendered_clip
from vision_rom.ways import group_of, raw_curve

OUT = Path(__file__).parents[1] / "learned" / "interval_factors.json"


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


def read_clip(case: ProofCase, track: PoseTrack, true_deg: float) -> CalibrationRow | None:
    """Measure one clip by the network; None where the clip gives no repetition."""
    movement = movement_named(case.movement)
    view = find_view(track.landmarks_px, track.visibility, track.world_m, network=track.model.name)
    raw = raw_curve(track, movement, case.side, view, "learned")
    curve = smooth(raw.curve)
    kept = repetitions(curve).kept
    if not kept:
        return None
    plain = repetitions(smooth(raw.picture)).kept
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


def factors_of(rows: list[CalibrationRow]) -> dict[str, dict[str, float]]:
    """Return the factor of each group, with what it rests on."""
    groups: dict[str, list[CalibrationRow]] = defaultdict(list)
    for row in rows:
        groups[row.group].append(row)
    found = {}
    for name, group in sorted(groups.items()):
        errors = np.array([row.held_deg - row.true_deg for row in group])
        expected = np.array([row.expected_deg for row in group])
        factor = conformal_factor(errors, expected)
        found[name] = {
            "factor": round(factor, 4),
            "clips": len(group),
            "people": len({row.case.description.person for row in group}),
            "mean_absolute_error_deg": round(float(np.abs(errors).mean()), 2),
            "bias_deg": round(float(errors.mean()), 2),
            "median_half_width_deg": round(float(np.median(factor * expected)), 2),
        }
    return found


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
