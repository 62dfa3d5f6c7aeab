"""Ways from a patient's landmarks to one value, all run on the same landmarks."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from vision_rom.errors import VisionRomError
from vision_rom.handover import SIDES, Clip, Landmark, PoseTrack, Reading
from vision_rom.proof.baseline import largest_angle_deg
from vision_rom.proof.cases import ProofCase
from vision_rom.readings import measure_landmarks
from vision_rom.synthetic.script import ROTATIONS
from vision_rom.synthetic.truth_file import ClipTruth
from vision_rom.ways import DEFAULT_METHOD, WIDEST_HALF_WIDTH_DEG
from vision_rom.ways import Method as WayToAngle

NAN = float("nan")


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What one method made of one clip."""

    value_deg: float = NAN
    """NaN where it was not measured"""
    low_deg: float = NAN
    high_deg: float = NAN
    """Ends of the 95% interval; NaN where the method gives none"""
    reason: str = ""
    """Why there is no value"""
    repetitions: int = 0
    view: str = ""
    off_plane_deg: float = NAN
    compared_with: Literal["held", "peak"] = "held"
    """The true value that this one is meant to be"""


@dataclass(frozen=True, slots=True)
class SeenClip:
    """What a method is given of one clip."""

    case: ProofCase
    clip: Clip
    track: PoseTrack
    truth: ClipTruth
    """For :func:`without_network_error` alone; a method that is to be used on patients does not look at it"""


Method = Callable[[SeenClip], Outcome | None]
"""None where the method does not exist for the movement, which is not the same as a refusal."""


def pipeline(seen: SeenClip) -> Outcome:
    """Measure as the tool does, told movement and side as a clinician would: held value with its interval."""
    return _measured(seen, DEFAULT_METHOD)


def in_the_picture(seen: SeenClip) -> Outcome | None:
    """Measure with the plain angle in the picture, and the forearm's foreshortening; however unsure, to compare."""
    return None if seen.case.movement in LEARNED_ONLY else _measured(seen, "picture", widest_deg=math.inf)


def _measured(seen: SeenClip, method: WayToAngle, *, widest_deg: float = WIDEST_HALF_WIDTH_DEG) -> Outcome:
    side = seen.case.side
    try:
        measured = measure_landmarks(
            seen.clip,
            seen.track,
            movement=seen.case.movement,
            side=side,
            method=method,
            widest_half_width_deg=widest_deg,
        )
    except VisionRomError as error:
        return Outcome(reason=str(error))
    return next((_outcome(reading) for reading in measured.readings if reading.side == side), Outcome())


def _outcome(reading: Reading) -> Outcome:
    low, high = reading.interval95_deg
    return Outcome(
        value_deg=reading.held_deg if reading.status == "measured" else NAN,
        low_deg=low,
        high_deg=high,
        reason=reading.reason or "",
        repetitions=len(reading.repetitions),
        view=reading.view or "",
        off_plane_deg=reading.camera_off_plane_deg,
    )


def plain(seen: SeenClip) -> Outcome | None:
    """Take the largest hip-shoulder-elbow angle of all pictures; for a rotation there is no such angle."""
    if seen.case.movement in ROTATIONS:
        return None
    value = largest_angle_deg(seen.track, side=seen.case.side)
    reason = "" if np.isfinite(value) else "The side was never seen."
    return Outcome(value_deg=value, reason=reason, compared_with="peak")


def without_network_error(seen: SeenClip) -> Outcome | None:
    """Measure with the network's shoulders, elbows, wrists and hips put at the true joint centres.

    No method: what is left is the error of the geometry, and what is gone was the network's.
    """
    pixels = seen.track.landmarks_px.copy()
    for side in SIDES:
        for part in ("shoulder", "elbow", "wrist", "hip"):
            pixels[:, Landmark.of(side, part), :2] = seen.truth.joints_px[f"{side}_{part}"][seen.track.frame_index]
    sure = np.ones_like(seen.track.visibility)
    return in_the_picture(replace(seen, track=replace(seen.track, landmarks_px=pixels, visibility=sure)))


LEARNED_ONLY = ("external_rotation_90", "internal_rotation_90")
PIPELINE = "vision-rom"
PICTURE = "vision-rom, angle in the picture"
PLAIN = "hip-shoulder-elbow, maximum"
FAULTLESS = "(angle in the picture on the true joint centres)"
METHODS: Mapping[str, Method] = {
    PIPELINE: pipeline,
    PICTURE: in_the_picture,
    PLAIN: plain,
    FAULTLESS: without_network_error,
}
