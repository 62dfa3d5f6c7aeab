"""One movement of one side: from the landmarks of a whole clip to its angle curve, with what could not be measured."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision_rom.angles.elevation import TrunkLine, elevation_curve, trunk_down_px
from vision_rom.angles.interval import Kind
from vision_rom.angles.off_plane import (
    GREATEST_OFF_PLANE_DEG,
    PLANE_AZIMUTH_DEG,
    Plane,
    PlaneDisagreement,
    believed_off_plane_deg,
    off_plane_from_arm_deg,
    plane_disagreement_deg,
)
from vision_rom.angles.rotation import (
    ARM_AT_SIDE_BELOW_DEG,
    ELBOW_FROM_DEG,
    ELBOW_TO_DEG,
    ForearmLength,
    learn_forearm_length,
    rotation_curve,
)
from vision_rom.angles.vectors import running_median, wrapped_deg
from vision_rom.angles.view import LEAST_VISIBILITY, ViewEstimate
from vision_rom.handover import SIDES, AngleCurve, Floats, Landmark, PoseTrack, Side, other_side
from vision_rom.spool import by_blocks

TURNED_AWAY_DEG = 60.0
"""A frame whose own estimate of the trunk's turn is this far from the clip's: the patient turned round there."""

TURN_WINDOW_S = 0.5
"""The frames' estimates are taken by their running median over this time."""

BEYOND_EDGE = 0.02
"""Share of the picture's longer side by which a landmark may lie outside: the networks' own error at an edge."""

FAR_ARM_FROM_DEG = 50.0
"""From this turn on, the trunk hides the arm on the far side."""

ROTATION_WITHIN_DEG = 35.0
"""Rotation at the side is measured with the trunk turned from the camera by no more than this."""

WAY_TO_FILM: dict[Plane, str] = {
    "frontal": "film from the front or from behind",
    "scapular": "film from the front, best with the patient turned so that the arm's plane faces the camera",
    "sagittal": "film from the side of the arm that moves",
}


def angle_curve(
    track: PoseTrack,
    *,
    movement: str,
    kind: Kind,
    direction: int,
    plane: Plane,
    side: Side,
    view: ViewEstimate,
    line: TrunkLine = "midline",
    focal_px: float | None = None,
) -> AngleCurve:
    """Angle of one movement frame by frame, NaN with a remark wherever it could not be measured.

    Parameters
    ----------
    movement : name that the curve carries; nothing is decided by it.
    kind : ``elevation`` of the upper arm, or ``axial_rotation`` at the side with the elbow bent.
    direction : +1 where the movement counts away from zero outward, forward or in outward rotation; -1 where backward
        (extension), across the body, or in inward rotation.
    plane : of motion; for rotation it is not used.
    view : from :func:`vision_rom.angles.find_view` on the same track.
    line : fixed arm of an elevation.
    focal_px : focal length from a calibration, for a rotation's perspective; None assumes a usual one.

    Raises
    ------
    ValueError
        Where ``kind``, ``direction``, ``plane`` or ``side`` is none of the allowed values.

    """
    if kind not in ("elevation", "axial_rotation"):
        raise ValueError(f'`kind` must be "elevation" or "axial_rotation", not {kind!r}')
    if direction not in (1, -1):
        raise ValueError(f"`direction` must be 1 or -1, not {direction!r}")
    if plane not in PLANE_AZIMUTH_DEG:
        raise ValueError(f"`plane` must be one of {', '.join(PLANE_AZIMUTH_DEG)}, not {plane!r}")
    if side not in ("left", "right"):
        raise ValueError(f'`side` must be "left" or "right", not {side!r}')
    if kind == "axial_rotation":
        return _rotation(track, movement=movement, direction=direction, side=side, view=view, focal_px=focal_px)
    return _elevation(track, movement=movement, direction=direction, plane=plane, side=side, view=view, line=line)


def plane_of_motion(track: PoseTrack, *, plane: Plane, side: Side, view: ViewEstimate) -> PlaneDisagreement:
    """Say by how much the camera was off the plane of motion, from the trunk's turn and the arm's foreshortening."""
    px = track.landmarks_px[..., :2]
    down = trunk_down_px(px)
    arm = px[:, Landmark.of(side, "elbow")] - px[:, Landmark.of(side, "shoulder")]
    seen = elevation_curve(px, side=side, azimuth_deg=PLANE_AZIMUTH_DEG[plane], facing_deg=_or_zero(view.facing_deg))
    from_arm, from_arm_sd = off_plane_from_arm_deg(
        np.hypot(arm[:, 0], arm[:, 1]), np.hypot(down[:, 0], down[:, 1]), seen.apparent_deg
    )
    return plane_disagreement_deg(
        side=side,
        plane=plane,
        facing_deg=view.facing_deg,
        facing_sd_deg=view.sd_deg,
        from_arm_deg=from_arm,
        from_arm_sd_deg=from_arm_sd,
    )


def forearm_of_track(track: PoseTrack, *, side: Side) -> ForearmLength:
    """Forearm's length learned over the whole clip, for :func:`rotation_curve` and the interval."""
    px = track.landmarks_px[..., :2]
    down = trunk_down_px(px)
    shoulder, elbow, wrist = (px[:, Landmark.of(side, part)] for part in ("shoulder", "elbow", "wrist"))
    return learn_forearm_length(
        np.linalg.norm(wrist - elbow, axis=1), np.linalg.norm(elbow - shoulder, axis=1), np.linalg.norm(down, axis=1)
    )


def _elevation(
    track: PoseTrack, *, movement: str, direction: int, plane: Plane, side: Side, view: ViewEstimate, line: TrunkLine
) -> AngleCurve:
    count = len(track.time_s)
    nothing = np.full(count, np.nan)
    visible = least_visibility(track, [Landmark.of(side, "shoulder"), Landmark.of(side, "elbow")], side, view)
    refusal = why_not_in_this_view(plane, side, view)
    if refusal:
        return _curve(track, movement, side, nothing, nothing, visible, (refusal,))
    disagreement = plane_of_motion(track, plane=plane, side=side, view=view)
    if disagreement.off_plane_deg > GREATEST_OFF_PLANE_DEG:
        reason = (
            f"Not measured: the {side} arm's plane of motion was about {disagreement.off_plane_deg:.0f} degrees off the "
            f"picture, more than {GREATEST_OFF_PLANE_DEG:.0f}; {WAY_TO_FILM[plane]}."
        )
        return _curve(track, movement, side, nothing, nothing, visible, (reason,))
    remarks = [disagreement.sentence] if disagreement.sentence else []
    if line == "midline" and _far_side_hidden(track, side, view):
        line = "same_side"
        remarks.append(f"The trunk's line runs from the {side} hip to the {side} shoulder: the others were hidden.")
    measured = elevation_curve(
        track.landmarks_px,
        side=side,
        azimuth_deg=PLANE_AZIMUTH_DEG[plane],
        facing_deg=view.facing_deg,
        line=line,
        correct_off_plane_deg=believed_off_plane_deg(disagreement.off_plane_deg, disagreement.sd_deg),
    )
    kept, more = frames_kept(track, visible, view)
    return _curve(
        track,
        movement,
        side,
        np.where(kept, direction * measured.angle_deg, np.nan),
        np.where(kept, direction * measured.vertical_deg, np.nan),
        visible,
        (*remarks, *more),
    )


def _rotation(
    track: PoseTrack, *, movement: str, direction: int, side: Side, view: ViewEstimate, focal_px: float | None
) -> AngleCurve:
    nothing = np.full(len(track.time_s), np.nan)
    parts = [Landmark.of(side, part) for part in ("shoulder", "elbow", "wrist")]
    visible = least_visibility(track, parts, side, view)
    if not np.isfinite(view.facing_deg):
        return _curve(track, movement, side, nothing, nothing, visible, (_why_unknown(view),))
    if abs(view.facing_deg) > ROTATION_WITHIN_DEG:
        reason = (
            "Not measured: rotation at the side is seen from the front only, and the patient was turned away from the "
            f"camera by about {abs(view.facing_deg):.0f} degrees; film from the front."
        )
        return _curve(track, movement, side, nothing, nothing, visible, (reason,))
    measured = rotation_curve(
        track.landmarks_px,
        side=side,
        facing_deg=view.facing_deg,
        world_m=track.world_m,
        picture_px=(track.width_px, track.height_px),
        focal_px=focal_px,
    )
    kept, remarks = frames_kept(track, visible, view)
    bent_wrong = kept & np.isfinite(measured.elbow_flexion_deg) & ~measured.elbow_kept
    arm_away = kept & np.isfinite(measured.arm_to_trunk_deg) & ~measured.arm_kept
    if bent_wrong.any():
        remarks.append(
            f"In {share_in_words(bent_wrong)} of the pictures the elbow was not bent to about 90 degrees (allowed "
            f"{ELBOW_FROM_DEG:.0f} to {ELBOW_TO_DEG:.0f}); rotation was not measured there."
        )
    if arm_away.any():
        remarks.append(
            f"In {share_in_words(arm_away)} of the pictures the upper arm was not at the side (more than "
            f"{ARM_AT_SIDE_BELOW_DEG:.0f} degrees from the trunk); rotation was not measured there."
        )
    angle = np.where(kept, direction * measured.angle_deg, np.nan)
    return _curve(track, movement, side, angle, nothing, visible, tuple(remarks))


def why_not_in_this_view(plane: Plane, side: Side, view: ViewEstimate) -> str:
    """Sentence why the elevation cannot be measured in this view at all, or nothing."""
    facing = view.facing_deg
    if not np.isfinite(facing):
        return _why_unknown(view)
    near: Side = "right" if facing > 0 else "left"
    hidden = abs(np.sin(np.radians(facing))) > np.sin(np.radians(FAR_ARM_FROM_DEG))
    if side != near and (hidden or plane == "sagittal"):
        return (
            f"Not measured: the {side} arm was on the far side of the body, which hides it; film from the {side} side."
            if plane == "sagittal"
            else f"Not measured: the {side} arm was on the far side of the body, which hides it; {WAY_TO_FILM[plane]}."
        )
    return ""


def _why_unknown(view: ViewEstimate) -> str:
    return view.remarks[0] if view.remarks else "Not measured: which way the patient faced could not be told."


def least_visibility(track: PoseTrack, arm: list[Landmark], side: Side, view: ViewEstimate) -> Floats:
    """(n,) least visibility of the landmarks that the angle rests on; NaN where the patient was not found.

    A landmark beyond the picture's edge is the network's guess, however sure it is: its visibility counts as 0.
    """
    trunk = [Landmark.of(side, "shoulder"), Landmark.of(side, "hip")]
    if not _far_side_hidden(track, side, view):
        trunk += [Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER, Landmark.LEFT_HIP, Landmark.RIGHT_HIP]
    points = sorted({*arm, *trunk})
    return by_blocks(len(track.time_s), lambda rows: np.asarray(_seen_in_picture(track, points, rows).min(axis=1)))


def _seen_in_picture(track: PoseTrack, points: list[Landmark], rows: slice | NDArray[np.bool_]) -> Floats:
    """(n, points) visibility in some pictures, 0 for what lies beyond the picture's edge."""
    edge = BEYOND_EDGE * max(track.width_px, track.height_px)
    seen = []
    for point in points:
        x, y = (track.landmarks_px[:, point, axis][rows] for axis in (0, 1))
        beyond = (x < -edge) | (x > track.width_px + edge) | (y < -edge) | (y > track.height_px + edge)
        seen.append(np.where(beyond, 0.0, track.visibility[:, point][rows]))
    return np.stack(seen, axis=1)


def _far_side_hidden(track: PoseTrack, side: Side, view: ViewEstimate) -> bool:
    """Whether, in a side view, the other shoulder or hip was hidden for most of the clip: decided once, for all frames."""
    if view.view not in ("left_side", "right_side"):
        return False
    other = other_side(side)
    far = track.visibility[:, [Landmark.of(other, "shoulder"), Landmark.of(other, "hip")]].min(axis=1)
    found = np.isfinite(far)
    return bool(found.any() and np.median(far[found]) < LEAST_VISIBILITY)


def frames_kept(track: PoseTrack, visible: Floats, view: ViewEstimate) -> tuple[NDArray[np.bool_], list[str]]:
    """(n,) frames that may be measured, and a sentence for each reason why others may not."""
    remarks = []
    found = np.isfinite(visible)
    dim = found & (visible < LEAST_VISIBILITY)
    step = np.median(np.diff(track.time_s)) if len(track.time_s) > 1 else TURN_WINDOW_S
    deviation = wrapped_deg(view.per_frame_deg - view.facing_deg)
    turned = running_median(np.abs(deviation), half_width=max(round(TURN_WINDOW_S / 2 / max(step, 1e-6)), 1))
    away = found & (turned > TURNED_AWAY_DEG)
    if (~found).any():
        remarks.append(f"The patient was not found in {share_in_words(~found)} of the pictures.")
    if dim.any():
        remarks.append(
            f"In {share_in_words(dim)} of the pictures {_least_seen(track, visible, dim)} was hidden or out of view; "
            "nothing was measured there."
        )
    if away.any():
        remarks.append(
            f"In {share_in_words(away)} of the pictures the patient had turned away from the direction of the rest of the clip; "
            "nothing was measured there."
        )
    return found & ~dim & ~away, remarks


def _least_seen(track: PoseTrack, visible: Floats, dim: NDArray[np.bool_]) -> str:
    """Name the joints that set the least visibility in the frames that were too dim, the most frequent first."""
    counts = {}
    left = np.ones(int(dim.sum()), bool)
    for part, name in (("hip", "a hip"), ("shoulder", "a shoulder"), ("elbow", "the elbow"), ("wrist", "the wrist")):
        sides = [Landmark.of(side, part) for side in SIDES]
        is_it = left & (_seen_in_picture(track, sides, dim) == visible[dim, None]).any(axis=1)
        counts[name] = int(is_it.sum())
        # each frame counts once: the wrist goes out of view with the elbow, and elevation does not rest on it
        left &= ~is_it
    named = [name for name, count in sorted(counts.items(), key=lambda item: -item[1]) if count >= 0.1 * dim.sum()]
    return " or ".join(named) or "a shoulder, hip or arm point"


def share_in_words(mask: NDArray[np.bool_]) -> str:
    """Return the share of True as a percentage for people."""
    percent = 100.0 * float(mask.mean())
    return "less than 1%" if percent < 1 else f"{percent:.0f}%"


def _or_zero(value: float) -> float:
    return value if np.isfinite(value) else 0.0


def _curve(
    track: PoseTrack,
    movement: str,
    side: Side,
    angle: Floats,
    vertical: Floats,
    visible: Floats,
    remarks: tuple[str, ...],
) -> AngleCurve:
    return AngleCurve(
        movement=movement,
        side=side,
        time_s=track.time_s,
        angle_deg=angle,
        vertical_deg=vertical,
        visibility=visible,
        remarks=remarks,
    )
