"""Bending of the elbow seen from the side: forearm against upper arm in the picture's plane, which is the plane of motion."""

from __future__ import annotations

import numpy as np

from vision_rom.angles.curve import frames_kept, least_visibility, why_not_in_this_view
from vision_rom.angles.vectors import signed_angle_deg
from vision_rom.angles.view import SQUARE_WITHIN_DEG, ViewEstimate
from vision_rom.handover import AngleCurve, Landmark, PoseTrack, Side

READS_LOW_DEG = 4.0
"""The landmarks read a bent elbow too straight: mean of 19 repetitions of eight rendered people to 107 to 136 degrees
(``proof/examination_cases.py``, ``SEEN_PEOPLE``; standard deviation 4.6). Taken in proportion to the angle, since nothing is known of it when straight."""
READS_LOW_AT_DEG = 120.0
HALF_WIDTH_DEG = 10.0
"""95% interval of a held value either way, from the same repetitions: 1.96 standard deviations and what their small number leaves
open, rounded up."""


def hinge_curve(track: PoseTrack, *, movement: str, direction: int, side: Side, view: ViewEstimate) -> AngleCurve:
    """Bending of one elbow frame by frame, NaN with a remark wherever it could not be measured.

    Parameters
    ----------
    direction : +1 where bending counts, -1 where straightening does.
    view : from :func:`vision_rom.angles.find_view` on the same track.

    """
    parts = [Landmark.of(side, part) for part in ("shoulder", "elbow", "wrist")]
    visible = least_visibility(track, parts, side, view)
    nothing = np.full(len(track.time_s), np.nan)
    reason = why_not_in_this_view("sagittal", side, view)
    if not reason and abs(abs(view.facing_deg) - 90.0) > SQUARE_WITHIN_DEG:
        reason = f"Not measured: the elbow bends towards the camera in this view; film from the {side} side."
    if reason:
        return AngleCurve(movement, side, track.time_s, nothing, nothing, visible, (reason,))
    shoulder, elbow, wrist = (track.landmarks_px[:, part, :2] for part in parts)
    # who shows the right side looks to the right of the picture: there bending turns the forearm counterclockwise
    forward = 1.0 if view.facing_deg > 0 else -1.0
    bent = -forward * signed_angle_deg(elbow - shoulder, wrist - elbow)
    bent = bent + READS_LOW_DEG * np.clip(bent, 0.0, None) / READS_LOW_AT_DEG
    kept, remarks = frames_kept(track, visible, view)
    return AngleCurve(
        movement=movement,
        side=side,
        time_s=track.time_s,
        angle_deg=np.where(kept, direction * bent, np.nan),
        vertical_deg=nothing,
        visibility=visible,
        remarks=tuple(remarks),
    )
