"""The posture of a person at any instant of a script.

:func:`pose_at` is a continuous function of time, so one script serves every frame rate and also pictures at uneven
times. Speeds follow the minimum-jerk profile of voluntary reaching (Flash and Hogan 1985, J Neurosci 5:1688-1703).
"""

from __future__ import annotations

from dataclasses import fields, replace
from functools import lru_cache

import numpy as np

from vision_rom.synthetic.arm_reach import (
    arm_pose_from_directions,
    directions_of,
    internal_rotation_limit_deg,
    reach_behind_back,
    turned_inward,
)
from vision_rom.synthetic.body import Floats
from vision_rom.synthetic.people import Person
from vision_rom.synthetic.pose3d import SIDES, ArmPose, LegPose, PoseParameters, Side, unit
from vision_rom.synthetic.script import (
    ROTATIONS,
    Compensation,
    Exercise,
    Gesture,
    Movement,
    Repetition,
    Script,
    Traced,
    Turn,
    Walk,
    duration_s,
)

PLANE_DEG: dict[Movement, float] = {"abduction": 0.0, "scaption": 35.0, "flexion": 90.0, "extension": -90.0}
TWIST_PER_180: dict[Movement, float] = {"abduction": 95.0, "scaption": 60.0, "flexion": -30.0, "extension": 0.0}
"""External rotation (twist) that comes with 180 deg of elevation when the thumb leads, so that both ways of raising the
arm end overhead with the same arm (Codman's paradox); amounts by eye."""
BEHIND_BACK_READY = 1.15
"""Ratio at which the hand lies before it climbs: on the buttock."""
PLANE_SETTLES_AT = 0.25
"""Share of the way by which a hanging arm has come into its plane."""


def minimum_jerk(share: float) -> float:
    """Share of the way after a share of the time; 0 before and 1 after."""
    x = min(max(share, 0.0), 1.0)
    return x**3 * (10 - 15 * x + 6 * x**2)


# ------------------------------------------------------------------------------------------------ the path of one arm


def arm_on_its_way(
    movement: Movement, peak: float, way: float, *, person: Person, side: Side, rest: ArmPose, elbow_deg: float
) -> ArmPose:
    """Arm pose a share ``way`` (0 to 1) of the way from the movement's starting posture to its peak.

    Internal rotation at the side goes no further than the belly allows, whatever the peak.
    """
    if movement == "hand_behind_back":
        return reach_behind_back(person.traits, side, BEHIND_BACK_READY + way * (peak - BEHIND_BACK_READY))
    if movement == "cross_body_adduction":
        return ArmPose(88.0, 90.0 + way * (peak - 90.0), -20.0 * way, elbow_deg + 25.0 * way)
    if movement in ROTATIONS:
        if movement == "internal_rotation":
            furthest = min(peak, internal_rotation_limit_deg(person.traits, side))
            return turned_inward(way * furthest, rest)
        turned = way * (peak if movement.startswith("external") else -peak)
        if movement.endswith("_90"):
            return ArmPose(90.0, 0.0, turned, 90.0, 10.0)
        return ArmPose(rest.elevation_deg, 5.0, turned, 90.0)
    if movement == "elbow_flexion":
        # palm forward, as the position asks: the forearm comes straight ahead
        ahead = minimum_jerk(way / PLANE_SETTLES_AT)
        return replace(
            rest, rotation_deg=(1 - ahead) * rest.rotation_deg, elbow_deg=rest.elbow_deg + way * (peak - rest.elbow_deg)
        )
    elevation = rest.elevation_deg + way * (peak - rest.elevation_deg)
    settled = minimum_jerk(way / PLANE_SETTLES_AT)
    return ArmPose(
        elevation_deg=elevation,
        plane_deg=rest.plane_deg + settled * (PLANE_DEG[movement] - rest.plane_deg),
        rotation_deg=(1 - settled) * rest.rotation_deg + TWIST_PER_180[movement] * elevation / 180,
        elbow_deg=rest.elbow_deg + settled * (elbow_deg - rest.elbow_deg),
        pronation_deg=rest.pronation_deg,
    )


def mix(start: ArmPose, end: ArmPose, share: float) -> ArmPose:
    """Arm pose between two, number by number."""
    a, b = np.array(_numbers(start)), np.array(_numbers(end))
    return ArmPose(*(float(v) for v in a + share * (b - a)))


def _numbers(arm: ArmPose) -> tuple[float, ...]:
    return tuple(float(getattr(arm, f.name)) for f in fields(ArmPose))


def effort(repetition: Repetition, since_start_s: float, start_deg: float) -> float:
    """Share of the way (0 to 1) a repetition has made ``since_start_s`` seconds after its start."""
    if since_start_s <= repetition.up_s:
        return minimum_jerk(since_start_s / repetition.up_s)
    left = since_start_s - repetition.up_s - repetition.hold_s
    if left <= 0:
        return 1.0
    if repetition.drop_from_deg is None:
        return 1 - minimum_jerk(left / repetition.down_s)
    held = min(max((repetition.drop_from_deg - start_deg) / (repetition.peak - start_deg), 0.0), 1.0)
    fall_s = min(0.35, 0.5 * repetition.down_s)
    lowering_s = repetition.down_s - fall_s
    slow = 1 - (1 - held) * min(left / lowering_s, 1.0) ** 2
    fallen = max(left - lowering_s, 0.0) / fall_s
    return slow * (1 - minimum_jerk(fallen))


def _exercise_at(
    exercise: Exercise, since_s: float, person: Person, rest: ArmPose
) -> tuple[dict[Side, ArmPose], float]:
    """Arms of the exercise's sides, and how far the effort has gone (0 to 1), ``since_s`` after its start."""
    at = since_s - exercise.ready_s
    current, way = exercise.repetitions[0], 0.0
    total = sum(repetition.duration_s for repetition in exercise.repetitions)
    readiness = minimum_jerk(since_s / exercise.ready_s)
    if at > total:
        readiness = 1 - minimum_jerk((at - total) / exercise.ready_s)
        current = exercise.repetitions[-1]
    elif at > 0:
        for repetition in exercise.repetitions:
            current = repetition
            if at <= repetition.duration_s:
                break
            at -= repetition.duration_s
        way = effort(current, at, rest.elevation_deg)
    arms: dict[Side, ArmPose] = {}
    for side in exercise.sides:
        options = {"person": person, "side": side, "rest": rest, "elbow_deg": exercise.elbow_deg}
        moving = arm_on_its_way(exercise.movement, current.peak, way, **options)  # type: ignore[arg-type]
        arms[side] = _compensated(mix(rest, moving, readiness), exercise.compensation, way * readiness)
    return arms, way * readiness


def _compensated(arm: ArmPose, compensation: Compensation, share: float) -> ArmPose:
    return replace(
        arm,
        plane_deg=arm.plane_deg + share * compensation.drift_deg,
        elbow_deg=arm.elbow_deg + share * compensation.elbow_bend_deg,
        hike_m=arm.hike_m + share * compensation.hike_m,
    )


def _traced_at(act: Traced, since_s: float, rest: ArmPose) -> tuple[dict[Side, ArmPose], Floats]:
    """Arms of a traced repetition, and the trunk's lean to the left, backward and turn to the left (3,)."""
    at = since_s - act.ready_s
    there = minimum_jerk(since_s / act.ready_s) * minimum_jerk((act.seconds - since_s) / act.ready_s)

    def keyframe(rows: tuple[tuple[float, ...], ...]) -> Floats:
        return np.array([np.interp(at, act.time_s, column) for column in zip(*rows, strict=True)])

    arms: dict[Side, ArmPose] = {}
    for side, rows in (("left", act.left), ("right", act.right)):
        seen, hanging = keyframe(rows), np.concatenate(directions_of(rest, side))  # type: ignore[arg-type]
        vectors = there * seen + (1 - there) * hanging
        arms[side] = arm_pose_from_directions(unit(vectors[:3]), unit(vectors[3:]), side)  # type: ignore[arg-type,index]
    return arms, there * keyframe(act.trunk)


# ------------------------------------------------------------------------------------------------ the whole person


@lru_cache(maxsize=64)
def _waves(seed: int, channels: int) -> tuple[Floats, Floats, Floats]:
    """Frequencies (Hz), phases and amplitudes (channels, waves): a slow part of unit variance, then a fast one."""
    rng = np.random.default_rng((seed, 29))
    slow = np.exp(rng.uniform(np.log(0.05), np.log(0.5), (channels, 5)))
    fast = rng.uniform(4.0, 8.0, (channels, 4))
    phases = rng.uniform(0, 2 * np.pi, (channels, 9))
    slow_size = rng.uniform(0.4, 1, (channels, 5)) / np.sqrt(slow)
    fast_size = rng.uniform(0.4, 1, (channels, 4))
    sizes = [a * np.sqrt(2) / np.linalg.norm(a, axis=1, keepdims=True) for a in (slow_size, fast_size)]
    return np.concatenate([slow, fast], 1), phases, np.concatenate(sizes, 1)


def wander(script: Script, time_s: float, channels: int) -> Floats:
    """Sway plus tremor (channels,) in deg at an instant: smooth, and the same for the same seed."""
    frequency, phase, size = _waves(script.seed, channels)
    scale = np.array([script.sway_deg] * 5 + [script.tremor_deg] * 4)
    return np.asarray((size * np.sin(2 * np.pi * frequency * time_s + phase)) @ scale, np.float64)


def _arm_with_wander(arm: ArmPose, noise: Floats) -> ArmPose:
    # the plane of a hanging arm means little: keep its wander from becoming a jump
    plane_share = min(arm.elevation_deg / 30, 1.0)
    return replace(
        arm,
        elevation_deg=max(arm.elevation_deg + float(noise[0]), 0.5),
        plane_deg=arm.plane_deg + 1.5 * plane_share * float(noise[1]),
        rotation_deg=arm.rotation_deg + float(noise[2]),
        elbow_deg=max(arm.elbow_deg + float(noise[3]), 0.0),
    )


PAIN_SIGN = ArmPose(42.0, 55.0, 10.0, 125.0)
"""Hand held up beside the face."""


def _raised_for_pain(script: Script, side: Side, time_s: float) -> float:
    """How far (0 to 1) the hand is up."""
    return max(
        (
            minimum_jerk((time_s - mark.start_s) / mark.lift_s)
            * minimum_jerk((mark.end_s + mark.lower_s - time_s) / mark.lower_s)
            for mark in script.pain_marks
            if mark.side == side
        ),
        default=0.0,
    )


def _with_gesture(arm: ArmPose, gesture: Gesture, time_s: float) -> ArmPose:
    """Return the arm on its way into, in, or out of a gesture's posture; unchanged outside its time."""
    there = minimum_jerk((time_s - gesture.start_s) / gesture.lift_s)
    there *= minimum_jerk((gesture.end_s + gesture.lift_s - time_s) / gesture.lift_s)
    if there <= 0:
        return arm
    shake = gesture.shake_deg * float(np.sin(2 * np.pi * gesture.shake_hz * (time_s - gesture.start_s)))
    return mix(arm, replace(gesture.pose, elbow_deg=gesture.pose.elbow_deg + shake), there)


def pose_at(script: Script, time_s: float, person: Person) -> PoseParameters:
    """The person's posture at an instant; before the first and after the last act, the first and last posture."""
    yaw_deg, (x, y) = script.yaw_deg, script.position_m
    arms: dict[Side, ArmPose] = dict.fromkeys(SIDES, script.rest)
    legs: dict[Side, LegPose] = dict.fromkeys(SIDES, LegPose())
    trunk = Compensation()
    traced = np.zeros(3)
    toward, share, clock = 0.0, 0.0, 0.0
    for act in script.acts:
        length = duration_s(act)
        since = min(max(time_s - clock, 0.0), length)
        if isinstance(act, Turn):
            yaw_deg += act.yaw_left_deg * minimum_jerk(since / length)
        elif isinstance(act, Walk):
            gone = minimum_jerk(since / length)
            x, y = x + act.by_m[0] * gone, y + act.by_m[1] * gone
        if time_s < clock + length or act is script.acts[-1]:
            if isinstance(act, Exercise):
                moved, share = _exercise_at(act, since, person, script.rest)
                arms |= moved
                trunk = act.compensation
                toward = {"left": 1.0, "right": -1.0, "both": 0.0}[act.side]
                share = share if act.scales_with_range else minimum_jerk(share / 0.2)
            elif isinstance(act, Traced):
                moved, traced = _traced_at(act, since, script.rest)
                arms |= moved
            elif isinstance(act, Turn | Walk):
                legs = _stepping(act, since / length)
            break
        clock += length
    noise = wander(script, time_s, 12)
    for side in SIDES:
        up = _raised_for_pain(script, side, time_s)
        arms[side] = mix(arms[side], PAIN_SIGN, up) if up > 0 else arms[side]
    for gesture in script.gestures:
        arms[gesture.side] = _with_gesture(arms[gesture.side], gesture, time_s)
    return PoseParameters(
        left=_arm_with_wander(arms["left"], noise[:4]),
        right=_arm_with_wander(arms["right"], noise[4:8]),
        lean_left_deg=-toward * share * trunk.lean_away_deg + float(traced[0] + 0.7 * noise[8]),
        lean_back_deg=share * trunk.lean_back_deg + float(traced[1] + 0.7 * noise[9]),
        turn_left_deg=toward * share * trunk.turn_toward_deg + float(traced[2] + noise[10]),
        look_left_deg=2 * float(noise[11]),
        yaw_deg=yaw_deg,
        position_m=(x, y),
        left_leg=legs["left"],
        right_leg=legs["right"],
    )


def _stepping(act: Turn | Walk, share: float) -> dict[Side, LegPose]:
    """Legs lifted in turn, twice a second or so."""
    steps = max(2, round(2 * act.seconds / 1.1))
    lift = np.sin(np.pi * steps * share)
    size = 18 * min(1.0, 6 * share, 6 * (1 - share))
    left, right = size * max(lift, 0.0), size * max(-lift, 0.0)
    return {"left": LegPose(left, 0, 1.9 * left), "right": LegPose(right, 0, 1.9 * right)}
