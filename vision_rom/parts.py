"""Parts of a recording: the pictures between two times, and the stretches in which the patient faces one way."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import numpy as np

from vision_rom.angles import find_view
from vision_rom.handover import PoseTrack
from vision_rom.motion.facing import Stretch, stretches


def part_of(track: PoseTrack, from_s: float, to_s: float) -> PoseTrack:
    """Return the pictures between two times, both included; times stay those of the recording.

    The arrays are views of the recording's own, since a stretch may be as long as the recording.
    """
    inside = slice(
        int(np.searchsorted(track.time_s, from_s - 1e-6, "left")),
        int(np.searchsorted(track.time_s, to_s + 1e-6, "right")),
    )
    count = len(track.time_s)
    arrays: dict[str, Any] = {
        one.name: value[inside]
        for one in fields(track)
        if isinstance(value := getattr(track, one.name), np.ndarray) and len(value) == count
    }
    return replace(track, **arrays)


def stretches_of(track: PoseTrack) -> tuple[Stretch, ...]:
    """Return the stretches of a recording in which the patient faces one way, in order of time."""
    view = find_view(track.landmarks_px, track.visibility, track.world_m, network=track.model.name)
    return stretches(track.time_s, view.per_frame_deg)


def stretch_around(track: PoseTrack, time_s: float) -> PoseTrack:
    """Return the stretch that a time lies in; the whole recording where it lies in none."""
    for one in stretches_of(track):
        if one.start_s <= time_s <= one.end_s:
            return part_of(track, one.start_s, one.end_s)
    return track
