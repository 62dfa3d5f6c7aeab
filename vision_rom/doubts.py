"""What in the landmarks of a movement says that its reading would be none: refused here, in a sentence, before an interval is made of it."""

from __future__ import annotations

import numpy as np

from vision_rom.angles.elevation import trunk_down_px
from vision_rom.handover import SIDES, Bools, Landmark, PoseTrack, Repetition, Side, other_side
from vision_rom.movements import Movement
from vision_rom.ways import RawCurve

FLICKER_SHARE = 0.2
MOST_CHANGES_OF_SIDE = 4
"""From so many changes of left and right during the movement, and so many for each of its pictures, the landmarks are not believed. In
48 recordings of rendered people there were two at most but in one, 12, whose reading was 54 degrees too low. Our own choice."""
SHORTEST_UPPER_ARM_TRUNKS, SHORTEST_OF_OTHER = 0.4, 0.75
"""An upper arm that never looks longer than this, in trunks and as a share of the other one, has no elbow to be seen. In 110 recordings
of rendered people the shorter arm was 0.44 trunks and more, 0.34 where it ended above the elbow. Our own choice."""
FURTHEST_APART_DEG = 20.0
"""Of the learned and the plain held angle, more than which is believed of neither. In the elevations of the full proof they are up to 18 apart.
Our own choice."""
SHORTEST_FOREARM_UPPER_ARMS, SUREST_MISSING_WRIST = 0.67, 0.92
"""A forearm that during the movement usually looks shorter than this share of the longest upper arm, with a wrist usually less visible than this,
is none. Chosen so that of 287 measured elevations of whole arms none is lost, 12 with elbows bent by 34 to 109 degrees among them;
the two limits catch 19 of 26 arms that end below the elbow (``proof/hostile/stumps.py``). Our own choice."""


def why_doubted(kept: tuple[Repetition, ...], raw: RawCurve, movement: Movement, track: PoseTrack, side: Side) -> str:
    """Return why nothing of these repetitions is believed, or nothing."""
    return (
        _sides_flicker(track, kept)
        or _elbow_guessed(movement, track, side)
        or _forearm_missing(kept, movement, track, side)
        or _ways_disagree(kept, raw, movement)
    )


def _sides_flicker(track: PoseTrack, kept: tuple[Repetition, ...]) -> str:
    """Sentence why nothing can be read where the network kept taking one side for the other during the movement, or nothing."""
    if not track.exchanged.size:
        return ""
    within = _within(kept, track)
    changes = int((np.diff(track.exchanged.astype(np.int64)) != 0)[within[1:] & within[:-1]].sum())
    if changes < MOST_CHANGES_OF_SIDE or changes < FLICKER_SHARE * within.sum():
        return ""
    return (
        f"Not measured: during the movement left and right changed places {changes} times, so the arm's points cannot be trusted. Film "
        "again with the whole body in the picture, good light and a plain background. A sling or loose cloth over the other arm does "
        "this too."
    )


def _elbow_guessed(movement: Movement, track: PoseTrack, side: Side) -> str:
    """Sentence why nothing can be read of an arm whose elbow is none, or nothing: a network puts one where an arm ends too early."""
    # a raised arm that points at the camera looks short and is whole
    if movement.kind != "elevation":
        return ""
    points = track.landmarks_px[..., :2]
    seen = np.ones(len(points), np.bool_)
    for row in [Landmark.of(one, part) for one in SIDES for part in ("shoulder", "elbow", "hip")]:
        seen &= np.isfinite(points[:, row]).all(axis=1)
    if not seen.any():
        return ""
    trunk_px = float(np.median(np.linalg.norm(trunk_down_px(points)[seen], axis=1)))
    own, other = (
        float(np.quantile(np.linalg.norm(points[seen, elbow] - points[seen, shoulder], axis=1), 0.95))
        for elbow, shoulder in (
            (Landmark.of(one, "elbow"), Landmark.of(one, "shoulder")) for one in (side, other_side(side))
        )
    )
    if own > SHORTEST_UPPER_ARM_TRUNKS * trunk_px or own > SHORTEST_OF_OTHER * other:
        return ""
    return (
        f"Not measured: the {side} upper arm looks {own / other:.0%} as long as the other one, so what was taken for its elbow is none. "
        "An arm that ends above the elbow cannot be measured; one that is hidden must be uncovered."
    )


def _forearm_missing(kept: tuple[Repetition, ...], movement: Movement, track: PoseTrack, side: Side) -> str:
    """Sentence why nothing can be read of an arm without a forearm to be seen, or nothing: then the elbow is none either, now and then.

    A bent elbow that points at the camera shortens the forearm too, but its wrist is seen, and so both signs are asked for.
    """
    if movement.kind != "elevation":
        return ""
    shoulder, elbow, wrist = (Landmark.of(side, part) for part in ("shoulder", "elbow", "wrist"))
    points = track.landmarks_px[..., :2]
    upper_px = np.linalg.norm(points[:, elbow] - points[:, shoulder], axis=1)
    forearm_px = np.linalg.norm(points[:, wrist] - points[:, elbow], axis=1)
    seen = np.isfinite(upper_px) & np.isfinite(forearm_px)
    moving = seen & _within(kept, track)
    if not moving.any():
        return ""
    share = float(np.median(forearm_px[moving])) / float(np.quantile(upper_px[seen], 0.95))
    sureness = float(np.median(track.visibility[moving, wrist]))
    if not (share < SHORTEST_FOREARM_UPPER_ARMS and sureness < SUREST_MISSING_WRIST):
        return ""
    return (
        f"Not measured: the {side} forearm was not seen, and without it the elbow is found too badly. An arm that ends below the elbow "
        "cannot be measured; a forearm that is hidden must be uncovered."
    )


def _within(kept: tuple[Repetition, ...], track: PoseTrack) -> Bools:
    """Return which pictures (n,) belong to one of the repetitions."""
    within = np.zeros(len(track.time_s), np.bool_)
    for one in kept:
        within |= (track.time_s >= one.start_s) & (track.time_s <= one.end_s)
    return within


def _ways_disagree(kept: tuple[Repetition, ...], raw: RawCurve, movement: Movement) -> str:
    """Sentence why nothing can be read where the learned and the plain way say quite different things, or nothing."""
    if raw.method != "learned" or movement.kind != "elevation":
        return ""
    time_s, plain_deg = raw.picture.time_s, raw.picture.angle_deg
    apart = []
    for one in kept:
        held = plain_deg[(time_s >= one.hold_start_s) & (time_s <= one.hold_end_s)]
        if np.isfinite(held).any():
            apart.append(abs(one.held_deg - float(np.nanmedian(held))))
    if not apart or max(apart) <= FURTHEST_APART_DEG:
        return ""
    return (
        f"Not measured: the arm's direction in the picture and what the learned method makes of the whole body are {max(apart):.0f} degrees "
        "apart, so one of them is wrong. Film again with close-fitting clothes, the whole body in the picture and good light."
    )
