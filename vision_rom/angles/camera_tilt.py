"""Up or down tilt of the phone, guessed from how a recording's landmarks are foreshortened.

A straight line in the arm network's features, its weights learned from rendered recordings (``training/tilt.py``). It
errs by about 5 degrees, so it serves to tell a person that the phone leans, and never to correct an angle.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from vision_rom.angles.arm_features import arm_features
from vision_rom.handover import Floats, PoseTrack, View
from vision_rom.spool import blocks

_MOST_PICTURES = 20_000
"""More tell nothing new of the phone, and their features need room"""
TILT_VIEWS = ("front", "back", "side")


@dataclass(frozen=True, slots=True)
class TiltWitness:
    """Weights for each kind of view."""

    mean: Floats
    """(f,)"""
    scale: Floats
    """(f,)"""
    weights: Mapping[str, Floats]
    """(f + 1,) for each of :data:`TILT_VIEWS`, the last for a constant 1"""

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, Floats]) -> TiltWitness:
        """Build from the members of its file."""
        weights = {view: np.asarray(arrays[view], np.float64) for view in TILT_VIEWS}
        return cls(np.asarray(arrays["mean"], np.float64), np.asarray(arrays["scale"], np.float64), weights)


def recording_features(
    landmarks_px: Floats, visibility: Floats, world_m: Floats, *, picture_px: tuple[int, int]
) -> Floats:
    """Median over the pictures of the features of a left arm (f,); NaN where nobody was found.

    Of a recording longer than some ten minutes every second picture is taken, or every third, and so on.
    """
    rows = slice(None, None, 1 + len(landmarks_px) // _MOST_PICTURES)
    features = arm_features(landmarks_px[rows], visibility[rows], world_m[rows], side="left", picture_px=picture_px)
    found = np.isfinite(features).all(axis=1)
    if not found.any():
        return np.full(features.shape[1], np.nan)
    # one column at a time: the median copies what it looks at
    return np.array([np.median(column[found]) for column in features.T], np.float64)


def camera_tilt_deg(track: PoseTrack, view: View, witness: TiltWitness) -> float:
    """Return by how much the phone looks up (positive) or down; NaN where it cannot be told.

    It cannot in an oblique view and without the network's metres.
    """
    kind = "side" if view.endswith("_side") else view
    if kind not in witness.weights or not any(
        np.isfinite(track.world_m[rows]).any() for rows in blocks(len(track.time_s))
    ):
        return float("nan")
    features = recording_features(
        track.landmarks_px, track.visibility, track.world_m, picture_px=(track.width_px, track.height_px)
    )
    normal = np.clip((features - witness.mean) / witness.scale, -6, 6)
    return float(witness.weights[kind] @ np.append(normal, 1.0))
