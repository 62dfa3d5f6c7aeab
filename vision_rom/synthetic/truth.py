"""What is exactly known about a rendered person: joint angles, joint centres, repetitions.

Definitions (sign and zero as in the catalogue of movements), all from joint centres of the posed skeleton:

* thorax: the turn of the upper spine against the same person's neutral stance; its downward axis is -z of that stance.
* elevation: angle between the upper arm (glenohumeral centre to elbow centre) and the thorax's downward axis, 0 to 180.
* plane: direction of elevation, 0 sideways, 90 forward, -90 backward.
* rotation: azimuth of the forearm about the upper arm's axis against straight ahead, external positive. NaN when the
  elbow is straighter than 30 deg or the upper arm points nearly ahead or back, where it means nothing.
* extension: elevation, positive backward and negative forward; flexion the reverse.
* adduction across the body: distance of the elbow's centre from the far shoulder's centre, in shoulder widths of the
  neutral stance.
* hand behind the back: height of the thumb's tip along the line from C7 (0) to the sacrum line (1).
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from vision_rom.synthetic.arm_reach import back_height_ratio
from vision_rom.synthetic.body import Floats, rig
from vision_rom.synthetic.choreography import pose_at
from vision_rom.synthetic.people import Person
from vision_rom.synthetic.pose3d import LATERAL, SIDES, THORAX, Posture, Side, angle_between_deg, unit
from vision_rom.synthetic.script import Movement, PlannedRepetition, Script, planned_repetitions

DOWN = np.array([0.0, 0.0, -1.0])
HOLD_WINDOW_S = 0.5
STRAIGHT_ELBOW_DEG = 30.0
LEAST_SIDEWAYS = 0.3
"""Sine of the angle between the upper arm and straight ahead below which rotation means nothing."""


@dataclass(frozen=True, slots=True)
class ArmAngles:
    """One arm at one instant. Degrees where the name says so."""

    elevation_deg: float
    plane_deg: float
    rotation_deg: float
    elbow_deg: float
    vertical_deg: float
    """Angle between the upper arm and the world's downward direction"""
    hip_line_deg: float
    """Angle between the upper arm and the line from this shoulder's centre to the hip's centre of the same side"""
    midline_deg: float
    """Angle between the upper arm and the line from the middle of the shoulders to the middle of the hips"""
    elbow_to_far_shoulder: float
    """In shoulder widths"""
    back_height_ratio: float


ARM_ANGLES: tuple[str, ...] = tuple(f.name for f in fields(ArmAngles))


@dataclass(frozen=True, slots=True)
class TrunkAngles:
    """The thorax at one instant, degrees; signs as in :class:`vision_rom.synthetic.pose3d.PoseParameters`."""

    lean_left_deg: float
    """Of the thorax's upward axis, against the direction in which the pelvis faces"""
    lean_back_deg: float
    turn_left_deg: float
    facing_left_deg: float
    """Direction in which the pelvis faces, 0 towards -y"""


TRUNK_ANGLES: tuple[str, ...] = tuple(f.name for f in fields(TrunkAngles))


@dataclass(frozen=True, slots=True)
class TrueRepetition:
    """One repetition as it really was, from the truth curve sampled at 60 Hz."""

    movement: Movement
    side: Side
    number: int
    start_s: float
    end_s: float
    top_s: float
    hold_end_s: float
    """Between ``top_s`` and this instant the pose was held (planned); both are the peak's instant in a traced one"""
    peak_s: float
    peak: float
    """Furthest value; degrees, or a ratio where the movement has one"""
    held: float
    """Furthest mean over any 0.5 s"""
    held_start_s: float
    held_end_s: float
    start: float


def _joint(stance: Posture, bone: str, side: Side) -> Floats:
    return np.asarray(stance.heads_m[rig().index[f"{bone}.{side[0].upper()}"]], np.float64)


def arm_directions(stance: Posture, side: Side) -> tuple[Floats, Floats]:
    """Unit vectors (3,) of upper arm and forearm in the thorax's axes (x left, y backward, z up)."""
    shoulder, elbow, wrist = (_joint(stance, bone, side) for bone in ("upperarm01", "lowerarm01", "wrist"))
    thorax = stance.rotations[rig().index[THORAX]]
    return unit(thorax.T @ (elbow - shoulder)), unit(thorax.T @ (wrist - elbow))


def forearm_azimuth_deg(upper: Floats, forearm: Floats, side: Side) -> float:
    """Rotation of the bent forearm about the upper arm, external positive; NaN where it means nothing."""
    ahead = np.array([0.0, -1.0, 0.0])
    ahead = ahead - (ahead @ upper) * upper
    if np.linalg.norm(ahead) < LEAST_SIDEWAYS or angle_between_deg(upper, forearm) < STRAIGHT_ELBOW_DEG:
        return float("nan")
    ahead = unit(ahead)
    outward = LATERAL[side] * np.cross(ahead, upper)
    return float(np.degrees(np.arctan2(forearm @ outward, forearm @ ahead)))


def arm_angles(stance: Posture, side: Side, *, shoulder_width_m: float) -> ArmAngles:
    """Angles of one arm from the posed skeleton; ``shoulder_width_m`` between the joint centres in the neutral stance."""
    other: Side = "right" if side == "left" else "left"
    upper, forearm = arm_directions(stance, side)
    shoulder, elbow, hip = (_joint(stance, bone, side) for bone in ("upperarm01", "lowerarm01", "upperleg01"))
    far_shoulder, far_hip = _joint(stance, "upperarm01", other), _joint(stance, "upperleg01", other)
    arm = elbow - shoulder
    return ArmAngles(
        elevation_deg=angle_between_deg(upper, DOWN),
        plane_deg=float(np.degrees(np.arctan2(-upper[1], LATERAL[side] * upper[0]))),
        rotation_deg=forearm_azimuth_deg(upper, forearm, side),
        elbow_deg=angle_between_deg(upper, forearm),
        vertical_deg=angle_between_deg(arm, DOWN),
        hip_line_deg=angle_between_deg(arm, hip - shoulder),
        midline_deg=angle_between_deg(arm, (hip + far_hip) / 2 - (shoulder + far_shoulder) / 2),
        elbow_to_far_shoulder=float(np.linalg.norm(elbow - far_shoulder)) / shoulder_width_m,
        back_height_ratio=back_height_ratio(stance, side),
    )


def trunk_angles(stance: Posture) -> TrunkAngles:
    """Lean and turn of the thorax over the pelvis."""
    pelvis, thorax = stance.rotations[0], stance.rotations[rig().index[THORAX]]
    over = pelvis.T @ thorax
    up = over[:, 2]
    axis = np.array([-up[1], up[0], 0.0])
    size, length = np.degrees(np.arctan2(np.hypot(up[0], up[1]), up[2])), np.hypot(axis[0], axis[1])
    along = axis / length if length > 0 else axis
    untilted = _untilt(over)
    return TrunkAngles(
        lean_left_deg=float(along[1] * size),
        lean_back_deg=float(-along[0] * size),
        turn_left_deg=float(np.degrees(np.arctan2(untilted[1, 0], untilted[0, 0]))),
        facing_left_deg=float(np.degrees(np.arctan2(pelvis[1, 0], pelvis[0, 0]))),
    )


def _untilt(rotation: Floats) -> Floats:
    """Take away the shortest tilt of the upward axis."""
    up = rotation[:, 2]
    cross = np.array([-up[1], up[0], 0.0])
    skew = np.array([[0, 0, cross[1]], [0, 0, -cross[0]], [-cross[1], cross[0], 0]])
    tilt = np.eye(3) + skew + skew @ skew / (1 + up[2])
    return np.asarray(tilt.T @ rotation, np.float64)


def movement_value(angles: ArmAngles, movement: Movement) -> float:
    """Value of a movement in its own sign and unit."""
    if movement in ("abduction", "scaption"):
        return angles.elevation_deg
    if movement in ("flexion", "extension"):
        backward = angles.plane_deg < 0 and angles.elevation_deg < 100
        return angles.elevation_deg * (-1 if backward == (movement == "flexion") else 1)
    if movement == "elbow_flexion":
        return angles.elbow_deg
    if movement == "cross_body_adduction":
        return angles.elbow_to_far_shoulder
    if movement == "hand_behind_back":
        return angles.back_height_ratio
    return angles.rotation_deg if movement.startswith("external") else -angles.rotation_deg


def smaller_is_further(movement: Movement) -> bool:
    """Whether the range is the better the smaller the value."""
    return movement in ("cross_body_adduction", "hand_behind_back")


def true_repetitions(script: Script, person: Person, *, rate_hz: float = 60.0) -> tuple[TrueRepetition, ...]:
    """Every planned repetition with the peak and held value that the skeleton really reached."""
    return tuple(_true_repetition(planned, script, person, rate_hz) for planned in planned_repetitions(script))


def _true_repetition(plan: PlannedRepetition, script: Script, person: Person, rate_hz: float) -> TrueRepetition:
    count = max(int(np.ceil((plan.end_s - plan.start_s) * rate_hz)) + 1, 2)
    times = np.linspace(plan.start_s, plan.end_s, count)
    width = person.neutral_shoulder_width_m
    values = np.array(
        [
            movement_value(
                arm_angles(person.skeleton(pose_at(script, float(t), person)), plan.side, shoulder_width_m=width),
                plan.movement,
            )
            for t in times
        ]
    )
    sign = -1.0 if smaller_is_further(plan.movement) else 1.0
    peak = int(np.nanargmax(sign * values))
    first, last, held = furthest_mean(times, sign * values, HOLD_WINDOW_S)
    return TrueRepetition(
        movement=plan.movement,
        side=plan.side,
        number=plan.number,
        start_s=plan.start_s,
        end_s=plan.end_s,
        top_s=plan.top_s if np.isfinite(plan.top_s) else float(times[peak]),
        hold_end_s=plan.hold_end_s if np.isfinite(plan.hold_end_s) else float(times[peak]),
        peak_s=float(times[peak]),
        peak=float(values[peak]),
        held=sign * held,
        held_start_s=first,
        held_end_s=last,
        start=float(values[0]),
    )


def furthest_mean(time_s: Floats, values: Floats, window_s: float) -> tuple[float, float, float]:
    """Start, end and size of the largest mean of an evenly sampled curve over a window (trapezoidal rule).

    A curve shorter than the window gives its whole mean. NaN samples make their windows NaN, which are passed over.
    """
    step = (time_s[-1] - time_s[0]) / (len(time_s) - 1)
    width = min(max(round(window_s / step), 1), len(time_s) - 1)
    areas = np.concatenate([[0.0], np.cumsum(np.nan_to_num((values[1:] + values[:-1]) / 2))])
    missing = np.concatenate([[0], np.cumsum(~np.isfinite(values[1:] + values[:-1]))])
    means = (areas[width:] - areas[:-width]) / width
    means[(missing[width:] - missing[:-width]) > 0] = np.nan
    if not np.isfinite(means).any():
        return float(time_s[0]), float(time_s[-1]), float("nan")
    best = int(np.nanargmax(means))
    return float(time_s[best]), float(time_s[best + width]), float(means[best])


def angles_of(stance: Posture, person: Person) -> dict[Side, ArmAngles]:
    """Both arms at one instant."""
    width = person.neutral_shoulder_width_m
    return {side: arm_angles(stance, side, shoulder_width_m=width) for side in SIDES}
