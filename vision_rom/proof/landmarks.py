"""How far the network's landmarks lie from the joint centres, in the pictures of the proof.

Distances are shares of the trunk's length in that picture (middle of the shoulders to middle of the hips, true), so that
near and far cameras compare. A landmark is not defined as the joint's centre, so part of a distance is the same in every
picture; the spread is what the network adds.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from vision_rom.handover import SIDES, Floats, Landmark, PoseTrack, Side
from vision_rom.pose.settings import ModelName
from vision_rom.proof.cases import ProofCase
from vision_rom.proof.clips import found_landmarks, rendered_clip
from vision_rom.synthetic.truth_file import ClipTruth

PARTS = ("shoulder", "elbow", "wrist", "hip")


@dataclass(frozen=True, slots=True, kw_only=True)
class LandmarkOffsets:
    """Offsets of one landmark in one clip."""

    clip: str
    view: str
    model: str
    side: str
    part: str
    moving: bool
    """The side that does the movement"""
    offsets: Floats
    """(n, 2) landmark minus joint centre, x and y of the picture, in trunk lengths; NaN where nobody was found"""


def offsets_of(
    case: ProofCase, truth: ClipTruth, track: PoseTrack, *, model: str, sides: Sequence[Side] = SIDES
) -> Iterator[LandmarkOffsets]:
    """Yield the offsets of each landmark of the sides that the camera sees."""
    rows = track.frame_index
    middle = {
        part: (truth.joints_px[f"left_{part}"][rows] + truth.joints_px[f"right_{part}"][rows]) / 2
        for part in ("shoulder", "hip")
    }
    trunk_px = np.linalg.norm(middle["hip"] - middle["shoulder"], axis=1, keepdims=True)
    for side in sides:
        if case.view == "side" and side != case.side:
            continue
        for part in PARTS:
            seen = track.landmarks_px[:, Landmark.of(side, part), :2]
            offsets = (seen - truth.joints_px[f"{side}_{part}"][rows]) / trunk_px
            yield LandmarkOffsets(
                clip=case.name,
                view=case.view,
                model=model,
                side=side,
                part=part,
                moving=side == case.side,
                offsets=np.asarray(offsets, np.float64),
            )


def run_landmarks(cases: Iterable[ProofCase], *, cache: Path, models: Sequence[ModelName]) -> Iterator[LandmarkOffsets]:
    """Yield the offsets in every clip of the proof; what is kept in ``cache`` is used."""
    for case in cases:
        path, truth = rendered_clip(case, cache)
        for model in models:
            _, track = found_landmarks(case, path, cache, model=model)
            yield from offsets_of(case, truth, track, model=model)


def offsets_table(found: Iterable[LandmarkOffsets]) -> list[tuple[str, ...]]:
    """Return rows: model, view, landmark, moving or resting, clips, median distance, its 95th percentile, constant part.

    Distances are per cent of the trunk's length over all pictures. The constant part is the size of the median
    offset (x mirrored for right sides).
    """
    groups: dict[tuple[str, str, str, str], list[LandmarkOffsets]] = {}
    for one in found:
        key = (one.model, one.view, one.part, "moving arm's side" if one.moving else "resting side")
        groups.setdefault(key, []).append(one)
    table = []
    for key, group in sorted(groups.items()):
        mirrored = [one.offsets * ((-1.0, 1.0) if one.side == "right" else (1.0, 1.0)) for one in group]
        every = np.concatenate(mirrored)
        every = every[np.isfinite(every).all(axis=1)]
        if not len(every):
            continue
        size = 100 * np.linalg.norm(every, axis=1)
        constant = 100 * float(np.linalg.norm(np.median(every, axis=0)))
        figures = (float(np.median(size)), float(np.percentile(size, 95)), constant)
        table.append((*key, str(len(group)), *(f"{value:.1f}" for value in figures)))
    return table


OFFSETS_HEADINGS = (
    "model",
    "view",
    "landmark",
    "whose",
    "clips",
    "median distance, % of trunk",
    "95th percentile",
    "constant part",
)
