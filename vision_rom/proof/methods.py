"""Ways from a patient's landmarks to one value, all run on the same landmarks."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from vision_rom.errors import VisionRomError
from vision_rom.handover import Clip, PoseTrack, Reading
from vision_rom.measure import measure_landmarks
from vision_rom.proof.baseline import largest_angle_deg
from vision_rom.proof.cases import ProofCase

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


Method = Callable[[Clip, PoseTrack, ProofCase], Outcome | None]
"""None where the method does not exist for the movement, which is not the same as a refusal."""


def pipeline(clip: Clip, track: PoseTrack, case: ProofCase) -> Outcome:
    """Measure as the tool does, told movement and side as a clinician would: held value with its interval."""
    try:
        measured = measure_landmarks(clip, track, movement=case.movement, side=case.side)
    except VisionRomError as error:
        return Outcome(reason=str(error))
    return next((_outcome(reading) for reading in measured.readings if reading.side == case.side), Outcome())


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


def plain(clip: Clip, track: PoseTrack, case: ProofCase) -> Outcome | None:
    """Take the largest hip-shoulder-elbow angle of all pictures; for a rotation there is no such angle."""
    if case.movement.endswith(("rotation", "rotation_90")):
        return None
    value = largest_angle_deg(track, side=case.side)
    reason = "" if np.isfinite(value) else "The side was never seen."
    return Outcome(value_deg=value, reason=reason, compared_with="peak")


PIPELINE = "vision-rom"
PLAIN = "hip-shoulder-elbow, maximum"
METHODS: Mapping[str, Method] = {PIPELINE: pipeline, PLAIN: plain}
