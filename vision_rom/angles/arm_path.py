"""Where one arm points in every picture, freed from the view: what movements are told apart by.

Nothing is read off as a result from these directions; they say which movement it was, from when to when. They come from
the arm network where it knows the landmarks, else from the pose network's own metres, which is rougher.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision_rom.angles.arm_features import features_by_blocks
from vision_rom.angles.arm_network import (
    ArmNetwork,
    axial_rotation_deg,
    directions_of_blocks,
    elevation_deg,
    plane_of_elevation_deg,
)
from vision_rom.angles.elevation import trunk_down_px
from vision_rom.angles.vectors import along_and_across, angle_between_deg, midpoint, unit_vectors
from vision_rom.handover import Floats, Landmark, PoseTrack, Side
from vision_rom.spool import by_blocks


@dataclass(frozen=True, slots=True)
class ArmPath:
    """One arm over time. Directions in the thorax's frame: x towards the arm's own side, y backwards, z up."""

    side: Side
    time_s: Floats
    """(n,)"""
    upper_arm: Floats
    """(n, 3) unit vectors; NaN where the patient was not found"""
    forearm: Floats
    """(n, 3)"""
    reach: Floats
    """(n,) distance from shoulder to wrist in the picture over the trunk's length"""
    elbow_place: Floats
    """(n, 2) of the elbow in trunk lengths from the shoulders' middle: towards the arm's own side, and down the trunk"""
    wrist_across: Floats
    """(n,) place of the wrist off the trunk's midline in trunk lengths, towards the arm's own side positive"""
    wrist_along: Floats
    """(n,) place of the wrist down the trunk: 0 at the shoulders' height, 1 at the hips'"""

    @property
    def elevation_deg(self) -> Floats:
        """(n,) of the upper arm, 0 hanging."""
        return elevation_deg(self.upper_arm)

    @property
    def plane_deg(self) -> Floats:
        """(n,) of the upper arm, 0 to the side, 90 forwards."""
        return plane_of_elevation_deg(self.upper_arm)

    @property
    def elbow_deg(self) -> Floats:
        """(n,) 0 straight."""
        return angle_between_deg(self.upper_arm, self.forearm)

    @property
    def rotation_deg(self) -> Floats:
        """(n,) of the forearm about the upper arm, outward positive; means nothing with a straight elbow."""
        return axial_rotation_deg(self.upper_arm, self.forearm)


def arm_path(track: PoseTrack, side: Side, *, network: ArmNetwork | None, facing_deg: float) -> ArmPath:
    """Follow one arm through a stretch of a recording in which the patient faces one way.

    Parameters
    ----------
    network : None takes the directions from the pose network's metres.
    facing_deg : turn of the trunk, as in :class:`vision_rom.angles.ViewEstimate`.

    """
    px = track.landmarks_px
    if network is None:
        both = by_blocks(len(px), lambda rows: np.concatenate(_directions_in_metres(track.world_m[rows], side), axis=1))
        upper, forearm = both[:, :3], both[:, 3:]
    else:
        found = directions_of_blocks(
            network,
            features_by_blocks(
                px, track.visibility, track.world_m, side=side, picture_px=(track.width_px, track.height_px)
            ),
        )
        upper, forearm = found.upper_arm, found.forearm
    shoulder, elbow, wrist = (Landmark.of(side, part) for part in ("shoulder", "elbow", "wrist"))
    down = trunk_down_px(px)
    length = np.hypot(down[:, 0], down[:, 1])
    length = np.where(length > 0, length, np.nan)
    middle = midpoint(px[..., :2], Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER)
    # clockwise of "down" is the picture's left: the patient's right from the front, the left from behind
    own = 1.0 if (side == "right") == (abs(facing_deg) < 90) else -1.0

    def place(point: Landmark) -> Floats:
        along, across = along_and_across(px[:, point, :2] - middle, down)
        return np.stack([own * across / length, along / length], axis=1)

    at_wrist = place(wrist)
    return ArmPath(
        side=side,
        time_s=track.time_s,
        upper_arm=upper,
        forearm=forearm,
        reach=np.linalg.norm(px[:, wrist, :2] - px[:, shoulder, :2], axis=1) / length,
        elbow_place=place(elbow),
        wrist_across=at_wrist[:, 0],
        wrist_along=at_wrist[:, 1],
    )


def _directions_in_metres(world_m: Floats, side: Side) -> tuple[Floats, Floats]:
    """Return upper arm and forearm (n, 3) in the frame of the trunk that shoulders and hips span."""
    shoulders = midpoint(world_m, Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER)
    up = unit_vectors(shoulders - midpoint(world_m, Landmark.LEFT_HIP, Landmark.RIGHT_HIP))
    left = world_m[:, Landmark.LEFT_SHOULDER] - world_m[:, Landmark.RIGHT_SHOULDER]
    left = unit_vectors(left - np.sum(left * up, axis=1, keepdims=True) * up)
    # the camera's axes are x right, y down, z away: left-handed turns of up and left give backwards
    back = np.cross(up, left)
    lateral = left if side == "left" else -left
    frame = np.stack([lateral, back, up], axis=1)
    shoulder, elbow, wrist = (world_m[:, Landmark.of(side, part)] for part in ("shoulder", "elbow", "wrist"))
    upper = np.einsum("nij,nj->ni", frame, unit_vectors(elbow - shoulder))
    forearm = np.einsum("nij,nj->ni", frame, unit_vectors(wrist - elbow))
    return upper, forearm
