"""Landmarks to joint angles with their error; numpy and scipy alone.

:func:`find_view` tells which way the patient faced, :func:`angle_curve` measures one movement of one side,
:func:`plane_of_motion` says how far the camera was off, :func:`error_terms` and :func:`reading_interval` say how far to
trust the result. Each rests on functions of plain arrays that can be called alone.
"""

from __future__ import annotations

from vision_rom.angles.curve import angle_curve, forearm_of_track, plane_of_motion
from vision_rom.angles.elevation import (
    Elevation,
    elevation_curve,
    elevation_of_vectors,
    trunk_down_px,
)
from vision_rom.angles.interval import (
    ErrorTerms,
    error_terms,
    jitter_sd_deg,
    reading_interval,
    repetition_interval,
)
from vision_rom.angles.off_plane import (
    Plane,
    PlaneDisagreement,
    apparent_deg,
    off_plane_deg,
    plane_disagreement_deg,
    true_deg,
)
from vision_rom.angles.rotation import AxialRotation, ForearmLength, learn_forearm_length, rotation_curve
from vision_rom.angles.uncertainty import Intervals, with_intervals
from vision_rom.angles.view import ViewEstimate, find_view

__all__ = [
    "AxialRotation",
    "Elevation",
    "ErrorTerms",
    "ForearmLength",
    "Intervals",
    "Plane",
    "PlaneDisagreement",
    "ViewEstimate",
    "angle_curve",
    "apparent_deg",
    "elevation_curve",
    "elevation_of_vectors",
    "error_terms",
    "find_view",
    "forearm_of_track",
    "jitter_sd_deg",
    "learn_forearm_length",
    "off_plane_deg",
    "plane_disagreement_deg",
    "plane_of_motion",
    "reading_interval",
    "repetition_interval",
    "rotation_curve",
    "true_deg",
    "trunk_down_px",
    "with_intervals",
]
