"""Arm poses found from where the arm should go: from directions, and the hand behind the back."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.optimize import least_squares

from vision_rom.synthetic.body import BodyShape, Floats, Traits, rig, shape_body
from vision_rom.synthetic.pose3d import (
    LATERAL,
    ArmPose,
    PoseParameters,
    Posture,
    Side,
    angle_between_deg,
    posture,
    rotation_about,
    swing,
)

SACRUM_LINE_SHARE = 0.127
"""Height of the line of the posterior superior iliac spines, as a share of hip joints to C7 (from memory)."""
THUMB_TIP_SHARE = 0.9
"""Length of the last thumb segment over the one before (by eye)."""
BEHIND_BACK_STEPS = (1.15, 1.0, 0.85, 0.7, 0.55, 0.42)
"""Heights (as ratios, see :func:`back_height_ratio`) for which the reach is solved; between them it is interpolated."""


def arm_pose_from_directions(upper: Floats, forearm: Floats, side: Side) -> ArmPose:
    """Return the arm pose whose upper arm and forearm point along two vectors (3,) in the thorax's axes.

    With the elbow straighter than 3 deg its axial rotation cannot be known and is given as 0.
    """
    lateral = LATERAL[side]
    elevation_deg = float(np.degrees(np.arctan2(np.hypot(upper[0], upper[1]), -upper[2])))
    plane_deg = float(np.degrees(np.arctan2(-upper[1], lateral * upper[0]))) if elevation_deg > 1e-6 else 0.0
    elbow_deg = angle_between_deg(upper, forearm)
    rotation_deg = 0.0
    if elbow_deg > 3:
        plane = np.radians(plane_deg)
        toward = np.array([lateral * np.cos(plane), -np.sin(plane), 0.0])
        hanging = rotation_about(np.cross([0.0, 0.0, -1.0], toward), -elevation_deg) @ forearm
        rotation_deg = float(np.degrees(np.arctan2(lateral * hanging[0], -hanging[1])))
    return ArmPose(elevation_deg, plane_deg, rotation_deg, elbow_deg)


def directions_of(arm: ArmPose, side: Side) -> tuple[Floats, Floats]:
    """Unit vectors (3,) of upper arm and forearm in the thorax's axes; the inverse of the above."""
    elbow, raised = np.radians(arm.elbow_deg), swing(arm, side)
    bent = np.array([0.0, -np.sin(elbow), -np.cos(elbow)])
    forearm = raised @ rotation_about((0, 0, 1), LATERAL[side] * arm.rotation_deg) @ bent
    return np.asarray(raised @ [0.0, 0.0, -1.0], np.float64), np.asarray(forearm, np.float64)


def thumb_tip_m(stance: Posture, side: Side) -> Floats:
    """Tip of the thumb (3,) in the world."""
    index, suffix = rig().index, f".{side[0].upper()}"
    last, before = (stance.heads_m[index[bone + suffix]] for bone in ("finger1-3", "finger1-2"))
    return np.asarray(last + THUMB_TIP_SHARE * (last - before), np.float64)


def back_line_m(stance: Posture) -> tuple[Floats, Floats]:
    """C7 and the middle of the sacrum line, both (3,) and inside the trunk at that height."""
    index = rig().index
    top = stance.heads_m[index["neck01"]]
    hips = (stance.heads_m[index["upperleg01.L"]] + stance.heads_m[index["upperleg01.R"]]) / 2
    return top, hips + SACRUM_LINE_SHARE * (top - hips)


def back_height_ratio(stance: Posture, side: Side) -> float:
    """Height of the thumb's tip along the line from C7 (0) to the sacrum line (1)."""
    top, sacrum = back_line_m(stance)
    line = sacrum - top
    return float((thumb_tip_m(stance, side) - top) @ line / (line @ line))


def _depth_of_back_m(shape: BodyShape, height_m: float) -> float:
    """How far back the skin of the spine lies at a height over the pelvis."""
    near_spine = np.abs(shape.rest_vertices[:, 0]) < 0.05
    lift = shape.neutral_heads[rig().index["spine03"], 2] - shape.rest_heads[rig().index["spine03"], 2]
    trunk = shape.rest_vertices[near_spine]
    band = np.abs(trunk[:, 2] + lift - height_m) < 0.03
    return float(trunk[band, 1].max())


FOREARM_CLEARANCE_M = 0.02
"""From the middle of wrist and hand to the skin of the belly, which gives way (by eye)."""


def turned_inward(rotation_deg: float, rest: ArmPose) -> ArmPose:
    """Return the arm at the side, elbow bent to 90 deg and forearm turned inward; the elbow comes forward a little."""
    forward = min(max(rotation_deg, 0.0) / 60, 1.2)
    return ArmPose(rest.elevation_deg + 9.0 * forward, 5.0 + 55.0 * min(forward, 1.0), -rotation_deg, 90.0)


@lru_cache(maxsize=256)
def internal_rotation_limit_deg(traits: Traits, side: Side) -> float:
    """Internal rotation at which the forearm, bent to 90 deg at the side, meets the belly."""
    shape, suffix = shape_body(traits), f".{side[0].upper()}"
    joints = [rig().index[bone + suffix] for bone in ("lowerarm01", "wrist", "finger3-1")]
    lift = shape.neutral_heads[rig().index["spine03"]] - shape.rest_heads[rig().index["spine03"]]
    narrow = np.abs(shape.rest_vertices[:, 0]) < 1.05 * abs(shape.rest_heads[rig().index["upperarm01.L"], 0])
    trunk = shape.rest_vertices[narrow] + lift

    def clear(rotation_deg: float) -> bool:
        arm = turned_inward(rotation_deg, ArmPose())
        stance = posture(shape, PoseParameters(left=arm) if side == "left" else PoseParameters(right=arm))
        elbow, wrist, knuckle = stance.heads_m[joints]
        points = [elbow + share * (wrist - elbow) for share in (0.6, 0.8, 1.0)] + [(wrist + knuckle) / 2]
        for point in points:
            near = np.abs(trunk[:, [0, 2]] - point[[0, 2]]).max(axis=1) < 0.015
            if near.any() and point[1] > trunk[near, 1].min() - FOREARM_CLEARANCE_M:
                return False
        return True

    steps = np.arange(10.0, 92.0, 2.0)
    blocked = next((float(step) for step in steps if not clear(float(step))), float(steps[-1]))
    return blocked - 2.0


USUAL_REACH = np.array([32.0, -55.0, -75.0, 80.0])
"""Elevation, plane, rotation and elbow angle that a reach stays near (by eye)."""
REACH_SPREAD = np.array([14.0, 25.0, 18.0, 45.0])
REACH_LIMITS = (np.array([5.0, -100.0, -115.0, 10.0]), np.array([70.0, 0.0, -20.0, 138.0]))


def solve_reach(shape: BodyShape, side: Side, ratio: float, start: Floats = USUAL_REACH) -> Floats:
    """Elevation, plane, rotation and elbow angle (4,) that bring the thumb to a height on the back.

    The hand lies on the spine, a hand's thickness behind the skin, and the angles stay near a usual reach.
    """
    lateral, suffix = LATERAL[side], f".{side[0].upper()}"
    knuckle, wrist = (rig().index[bone + suffix] for bone in ("finger3-1", "wrist"))

    def behind(point: Floats) -> float:
        return float(point[1]) - _depth_of_back_m(shape, float(point[2])) - 0.03

    def misses(values: Floats) -> Floats:
        arm = ArmPose(*(float(value) for value in values))
        stance = posture(shape, PoseParameters(left=arm) if side == "left" else PoseParameters(right=arm))
        hand = stance.heads_m[knuckle]
        wanted = [
            (back_height_ratio(stance, side) - ratio) / 0.01,
            (lateral * hand[0] - 0.02) / 0.03,
            behind(hand) / 0.015,
            min(behind(stance.heads_m[wrist]), 0) / 0.01,
        ]
        return np.concatenate([wanted, (values - USUAL_REACH) / REACH_SPREAD])

    solved = least_squares(misses, start, bounds=REACH_LIMITS, diff_step=[1e-4] * 4, max_nfev=40)
    return np.asarray(solved.x, np.float64)


@lru_cache(maxsize=64)
def _reaches(traits: Traits, side: Side) -> Floats:
    """Solve the reach at every height of :data:`BEHIND_BACK_STEPS`, each from the one before."""
    shape, rows = shape_body(traits), [USUAL_REACH]
    for ratio in BEHIND_BACK_STEPS:
        rows.append(solve_reach(shape, side, ratio, rows[-1]))
    return np.array(rows[1:])


def reach_behind_back(traits: Traits, side: Side, ratio: float) -> ArmPose:
    """Arm pose that brings the thumb to a height on the back; see :func:`back_height_ratio`, 0.42 to 1.15."""
    table = _reaches(traits, side)
    at = np.array(BEHIND_BACK_STEPS)[::-1]
    elevation, plane, rotation, elbow = (float(np.interp(ratio, at, column[::-1])) for column in table.T)
    return ArmPose(elevation, plane, rotation, elbow)
