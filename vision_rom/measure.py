"""The pipeline on one page: a recording in, readings out."""

from __future__ import annotations

from dataclasses import dataclass

from vision_rom.handover import Clip, PoseTrack, Reading, SmoothCurve


@dataclass(frozen=True)
class Measurement:
    """Everything that one recording gave."""

    clip: Clip
    track: PoseTrack
    curves: tuple[SmoothCurve, ...]
    readings: tuple[Reading, ...]
    choice: str
    """Which movement and side were measured, and why."""
    parameters: dict[str, object]
    """Every setting that the numbers depend on."""
