"""Where the signalling arm and the measured one are taken for each other, and the measured arm's curve across it.

From the side the measured arm passes before the forearm that signals, between about 60 and 110 degrees. There the pose network
lays the landmarks of both arms on one of them, and the curve strays by up to 30 degrees while it looks as smooth as ever.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from vision_rom.angles.vectors import runs_of
from vision_rom.handover import Bools, Floats, Landmark, PoseTrack, SmoothCurve
from vision_rom.pain.marks import PainMark
from vision_rom.pain.posture import trunk_length_px

ELBOWS_WITHIN, WRISTS_WITHIN = 0.30, 0.35
"""Trunk lengths in the picture: with both elbows, or both wrists, nearer than this while one hand is held up, the arms may have been mixed.
Set on five of the people 73001 to 73100 of ``proof/pain_bench.py``."""
AROUND_S = 0.15
"""Before and after mixed pictures the curve is not believed either: smoothing reaches so far."""
LONGEST_BRIDGE_S = 1.2
"""Over a longer hole nothing is drawn. Our own choice."""
FROM_SIDES_S = 0.5
"""So much of the curve on both sides tells how the arm went across."""
LEAST_SIDE_S = 0.3
"""With less than this on one side nothing is drawn either, and two holes that are nearer are one: what lies between may be mixed as well."""


def without_mixed_arms(curve: SmoothCurve, track: PoseTrack, marks: Sequence[PainMark]) -> SmoothCurve:
    """Return the curve as it would be without the pictures in which the two arms were mixed.

    Across a short hole lies the cubic through half a second on both sides; a longer one is NaN.

    Parameters
    ----------
    curve
        Of the measured arm, from ``track``.
    track
        Landmarks of the patient.
    marks
        When the other hand was up.

    """
    mixed = mixed_pictures(track, marks)
    if not mixed.any():
        return curve
    left_out = _from_nearest_s(curve.time_s, track.time_s[mixed]) <= AROUND_S
    for (_, end), (start, _) in pairwise(runs_of(left_out)):
        if curve.time_s[start] - curve.time_s[end] < LEAST_SIDE_S:
            left_out[end:start] = True
    angle, speed = np.where(left_out, np.nan, curve.angle_deg), np.where(left_out, np.nan, curve.speed_deg_s)
    believed = np.isfinite(angle)
    for first, last in runs_of(left_out):
        _bridge(curve.time_s, angle, speed, believed, first, last)
    return replace(curve, angle_deg=angle, speed_deg_s=speed)


def _from_nearest_s(time_s: Floats, others_s: Floats) -> Floats:
    """Return how far each time (n,) is from the nearest of other times (m,), which increase; m is at least 1."""
    after = np.searchsorted(others_s, time_s).clip(1, max(len(others_s) - 1, 1))
    last = len(others_s) - 1
    return np.asarray(
        np.minimum(np.abs(time_s - others_s[after - 1]), np.abs(time_s - others_s[np.minimum(after, last)]))
    )


def mixed_pictures(track: PoseTrack, marks: Sequence[PainMark]) -> Bools:
    """Return the pictures (n,) in which a hand is up and the arms lie on each other."""
    points = track.landmarks_px[..., :2]
    trunk = trunk_length_px(track)

    def apart(part: str) -> Floats:
        between = points[:, Landmark.of("left", part)] - points[:, Landmark.of("right", part)]
        return np.asarray(np.linalg.norm(between, axis=1) / trunk)

    up = np.zeros(len(track.time_s), np.bool_)
    for mark in marks:
        up |= (track.time_s >= mark.start_s) & (track.time_s <= mark.end_s)
    return np.asarray(up & ((apart("elbow") < ELBOWS_WITHIN) | (apart("wrist") < WRISTS_WITHIN)))


def _bridge(time_s: Floats, angle: Floats, speed: Floats, believed: Bools, first: int, last: int) -> None:
    """Draw the curve across a hole in place, where it is short and both sides are known."""
    if time_s[last] - time_s[first] > LONGEST_BRIDGE_S:
        return
    middle_s = (time_s[first] + time_s[last]) / 2
    before = believed & (time_s < time_s[first]) & (time_s >= time_s[first] - FROM_SIDES_S)
    after = believed & (time_s > time_s[last]) & (time_s <= time_s[last] + FROM_SIDES_S)
    if any(np.count_nonzero(side) * np.median(np.diff(time_s)) < LEAST_SIDE_S for side in (before, after)):
        return
    sides = before | after
    cubic = np.polynomial.Polynomial.fit(time_s[sides] - middle_s, angle[sides], 3)
    hole = time_s[first : last + 1] - middle_s
    angle[first : last + 1], speed[first : last + 1] = cubic(hole), cubic.deriv()(hole)
