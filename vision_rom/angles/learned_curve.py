"""One movement of one side by the arm network: the same curve as :mod:`vision_rom.angles.curve`, another way there.

The network gives the arm's direction in the thorax's own frame, so the camera need not look straight at the plane of
motion, and a rotation needs no assumed forearm length. What it may be asked is still limited: an arm that the body
hides, pictures in which the patient was not found, and rotations whose elbow is straight are refused as before.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision_rom.angles.arm_features import features_by_blocks
from vision_rom.angles.arm_network import (
    ArmDirections,
    ArmNetwork,
    axial_rotation_deg,
    directions_of_blocks,
    elevation_deg,
)
from vision_rom.angles.curve import frames_kept, least_visibility, share_in_words, why_not_in_this_view
from vision_rom.angles.interval import Kind
from vision_rom.angles.off_plane import Plane
from vision_rom.angles.rotation import ARM_AT_SIDE_BELOW_DEG, ELBOW_FROM_DEG, ELBOW_TO_DEG
from vision_rom.angles.vectors import angle_between_deg
from vision_rom.angles.view import ViewEstimate
from vision_rom.handover import AngleCurve, Floats, Landmark, PoseTrack, Side
from vision_rom.spool import put_away

SIDE_KNOWN_BELOW_DEG = 90.0
"""Above this elevation forward and backward of an overhead arm are a hair apart, so no sign is taken from them."""


ABDUCTED_WITHIN_DEG = 30.0
"""Rotation at 90 degrees of abduction is measured with the upper arm raised to 90 degrees give or take this much."""


@dataclass(frozen=True, slots=True)
class LearnedCurve:
    """The curve, and what the network itself expects of its error in each picture."""

    curve: AngleCurve
    expected_sd_deg: Floats
    """(n,) NaN where nothing was measured"""


class Arms:
    """Where both arms of a track point, each found when it is first asked for and kept: every movement of a side rests on the same."""

    def __init__(self, track: PoseTrack, network: ArmNetwork) -> None:
        self._track = track
        self._network = network
        self._found: dict[Side, ArmDirections] = {}

    def of(self, side: Side) -> ArmDirections:
        """Return the directions of one arm in every picture."""
        if side not in self._found:
            track = self._track
            features = features_by_blocks(
                track.landmarks_px,
                track.visibility,
                track.world_m,
                side=side,
                picture_px=(track.width_px, track.height_px),
            )
            self._found[side] = put_away(directions_of_blocks(self._network, features))
        return self._found[side]


def learned_curve(
    track: PoseTrack,
    arms: Arms,
    geometric: AngleCurve,
    *,
    movement: str,
    kind: Kind,
    direction: int,
    plane: Plane,
    side: Side,
    view: ViewEstimate,
) -> LearnedCurve:
    """Angle of one movement frame by frame by the arm network, NaN with a remark where it could not be measured.

    Parameters are those of :func:`vision_rom.angles.angle_curve`; ``geometric`` is that function's result on the same
    track, from which the vertical-referenced value is taken over; ``arms`` are those of the same track.
    """
    parts = ["shoulder", "elbow"] + (["wrist"] if kind == "axial_rotation" else [])
    visible = least_visibility(track, [Landmark.of(side, part) for part in parts], side, view)
    nothing = np.full(len(track.time_s), np.nan)
    refusal = why_not_in_this_view(plane, side, view)
    if refusal:
        curve = AngleCurve(movement, side, track.time_s, nothing, nothing, visible, (refusal,))
        return LearnedCurve(curve, nothing)
    found = arms.of(side)
    kept, remarks = frames_kept(track, visible, view)
    if kind == "axial_rotation":
        elbow = angle_between_deg(found.upper_arm, found.forearm)
        bent_wrong = kept & ((elbow < ELBOW_FROM_DEG) | (elbow > ELBOW_TO_DEG))
        raised = elevation_deg(found.upper_arm)
        abducted = plane == "sagittal"
        away = kept & (np.abs(raised - 90.0) > ABDUCTED_WITHIN_DEG if abducted else raised > ARM_AT_SIDE_BELOW_DEG)
        if bent_wrong.any():
            remarks.append(
                f"In {share_in_words(bent_wrong)} of the pictures the elbow was not bent to about 90 degrees (allowed "
                f"{ELBOW_FROM_DEG:.0f} to {ELBOW_TO_DEG:.0f}); rotation was not measured there."
            )
        if away.any():
            where = (
                f"raised to about 90 degrees (within {ABDUCTED_WITHIN_DEG:.0f})"
                if abducted
                else f"at the side (more than {ARM_AT_SIDE_BELOW_DEG:.0f} degrees from the trunk)"
            )
            remarks.append(
                f"In {share_in_words(away)} of the pictures the upper arm was not {where}; rotation was not measured there."
            )
        kept &= ~bent_wrong & ~away
        angle = direction * axial_rotation_deg(found.upper_arm, found.forearm)
        expected = found.rotation_sd_deg
    else:
        angle = _elevation(found, direction, plane)
        expected = found.elevation_sd_deg
    curve = AngleCurve(
        movement=movement,
        side=side,
        time_s=track.time_s,
        angle_deg=np.where(kept, angle, np.nan),
        vertical_deg=np.where(kept, geometric.vertical_deg, np.nan),
        visibility=visible,
        remarks=(*_plane_remarks(geometric), *remarks),
    )
    return LearnedCurve(curve, np.where(kept, expected, np.nan))


def _elevation(found: ArmDirections, direction: int, plane: Plane) -> Floats:
    raised = elevation_deg(found.upper_arm)
    if plane != "sagittal":
        return raised
    backward = (found.upper_arm[:, 1] > 0) & (raised < SIDE_KNOWN_BELOW_DEG)
    return np.asarray(direction * np.where(backward, -raised, raised))


def _plane_remarks(geometric: AngleCurve) -> tuple[str, ...]:
    """Take over what was said of the camera's place, and nothing of what the other way refused."""
    return tuple(remark for remark in geometric.remarks if remark.startswith("The plane of motion"))
