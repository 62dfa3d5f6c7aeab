"""Random postures and scripts over everything the catalogue of movements knows.

For learning a correction from single pictures, and for sets of clips. Ranges are wide on purpose: limited and full
motion, clean and compensated.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vision_rom.synthetic.arm_reach import internal_rotation_limit_deg, solve_reach
from vision_rom.synthetic.body import shape_body
from vision_rom.synthetic.choreography import PAIN_SIGN, arm_on_its_way
from vision_rom.synthetic.people import Person
from vision_rom.synthetic.pose3d import SIDES, ArmPose, PoseParameters, Side
from vision_rom.synthetic.script import MOVEMENTS, Compensation, Exercise, Movement, Repetition, Script, Sides

POSTURE_SHARES: dict[Movement | str, float] = {
    "abduction": 0.19,
    "scaption": 0.11,
    "flexion": 0.19,
    "extension": 0.10,
    "cross_body_adduction": 0.06,
    "external_rotation": 0.08,
    "internal_rotation": 0.07,
    "external_rotation_90": 0.05,
    "internal_rotation_90": 0.04,
    "hand_behind_back": 0.05,
    "elbow_flexion": 0.0,
    "rest": 0.03,
    "anywhere": 0.03,
}
"""How often each movement is shown; sums to 1."""
FURTHEST: dict[Movement, tuple[float, float]] = {
    "abduction": (60.0, 178.0),
    "scaption": (60.0, 176.0),
    "flexion": (60.0, 178.0),
    "extension": (15.0, 70.0),
    "cross_body_adduction": (105.0, 138.0),
    "external_rotation": (10.0, 95.0),
    "internal_rotation": (20.0, 75.0),
    "external_rotation_90": (30.0, 115.0),
    "internal_rotation_90": (20.0, 85.0),
    "hand_behind_back": (1.1, 0.42),
    "elbow_flexion": (70.0, 145.0),
}
"""Least and furthest peak of each movement, in the units of :class:`vision_rom.synthetic.script.Repetition`."""

Rng = np.random.Generator


def random_rest(rng: Rng) -> ArmPose:
    """A hanging arm."""
    return ArmPose(
        elevation_deg=float(rng.uniform(3, 13)),
        plane_deg=float(rng.normal(15, 25)),
        rotation_deg=float(rng.normal(-10, 15)),
        elbow_deg=float(rng.uniform(4, 25)),
        pronation_deg=float(rng.normal(10, 20)),
    )


def random_pose(rng: Rng, person: Person) -> PoseParameters:
    """One posture of a random instant of a random movement; the camera's view is not part of it (yaw is 0)."""
    lead: Side = SIDES[int(rng.integers(2))]
    other: Side = "right" if lead == "left" else "left"
    kind = str(rng.choice(list(POSTURE_SHARES), p=list(POSTURE_SHARES.values())))
    arms: dict[Side, ArmPose] = {lead: _random_arm(kind, rng, person, lead), other: random_rest(rng)}
    draw = rng.random()
    if draw < 0.35 and kind not in ("hand_behind_back", "cross_body_adduction"):
        arms[other] = _random_arm(kind, rng, person, other)
    elif draw < 0.42:
        arms[other] = PAIN_SIGN
    elif draw < 0.5:
        arms[other] = _random_arm(str(rng.choice(MOVEMENTS[:4])), rng, person, other)
    sloppy = rng.random() < 0.3
    size = 8.0 if sloppy else 3.0
    return PoseParameters(
        left=_outside_the_belly(_loosened(arms["left"], rng, sloppy=sloppy), person, "left"),
        right=_outside_the_belly(_loosened(arms["right"], rng, sloppy=sloppy), person, "right"),
        lean_left_deg=float(rng.normal(0, size)),
        lean_back_deg=float(rng.normal(1, size)),
        turn_left_deg=float(rng.normal(0, size)),
        nod_deg=float(rng.normal(0, 7)),
        look_left_deg=float(rng.normal(0, 12)),
        stance_deg=float(rng.uniform(-3.5, 2)),
    )


def _random_arm(kind: str, rng: Rng, person: Person, side: Side) -> ArmPose:
    if kind == "rest":
        return random_rest(rng)
    if kind == "anywhere":
        # even over the sphere of directions an arm can take
        elevation = float(np.degrees(np.arccos(rng.uniform(-0.98, 0.98))))
        plane = float(rng.uniform(-60 if elevation < 60 else 0, 125))
        return ArmPose(elevation, plane, float(rng.uniform(-60, 80)), float(rng.uniform(0, 130)))
    movement = next(m for m in MOVEMENTS if m == kind)
    high = FURTHEST[movement][1]
    way = float(rng.beta(1.1, 0.8))
    if movement == "hand_behind_back":
        ratio = 1.15 + float(rng.uniform()) * (high - 1.15)
        return ArmPose(*(float(v) for v in solve_reach(shape_body(person.traits), side, ratio)))
    elbow = float(rng.uniform(0, 15) if rng.random() < 0.85 else rng.uniform(15, 70))
    return arm_on_its_way(movement, high, way, person=person, side=side, rest=random_rest(rng), elbow_deg=elbow)


def _loosened(arm: ArmPose, rng: Rng, *, sloppy: bool) -> ArmPose:
    """Add what no one does exactly alike."""
    size = 2.0 if sloppy else 1.0
    raised = min(arm.elevation_deg / 40, 1.0)
    return replace(
        arm,
        elevation_deg=float(np.clip(arm.elevation_deg + rng.normal(0, 2 * size), 0.5, 179)),
        plane_deg=float(arm.plane_deg + rng.normal(0, 6 * size * max(raised, 0.2))),
        rotation_deg=float(arm.rotation_deg + rng.normal(0, 6 + 10 * raised)),
        elbow_deg=float(np.clip(arm.elbow_deg + rng.normal(0, 3 * size), 0, 140)),
        pronation_deg=float(arm.pronation_deg + rng.normal(0, 20)),
        wrist_deg=float(rng.normal(0, 10)),
        hike_m=float(abs(rng.normal(0, 0.012 * size))),
    )


def _outside_the_belly(arm: ArmPose, person: Person, side: Side) -> ArmPose:
    beside_the_trunk = arm.elevation_deg < 35 and arm.plane_deg > -30 and arm.elbow_deg > 45
    if not beside_the_trunk or arm.rotation_deg > -20:
        return arm
    return replace(arm, rotation_deg=max(arm.rotation_deg, -internal_rotation_limit_deg(person.traits, side)))


def random_compensation(rng: Rng, *, strength: float = 1.0) -> Compensation:
    """A natural amount at strength 1; clear compensation at about 3."""
    return Compensation(
        lean_away_deg=float(strength * rng.normal(1.5, 2.0)),
        lean_back_deg=float(strength * rng.normal(2.0, 2.0)),
        turn_toward_deg=float(strength * rng.normal(0.0, 2.0)),
        hike_m=float(strength * abs(rng.normal(0.0, 0.006))),
        elbow_bend_deg=float(strength * abs(rng.normal(0, 4))),
        drift_deg=float(strength * rng.normal(0, 4)),
    )


def random_exercise(rng: Rng, movement: Movement, side: Sides, *, repetitions: int = 2) -> Exercise:
    """Repetitions of one movement to differing peaks, slow or fast, held or not, clean or compensated."""
    low, high = FURTHEST[movement]
    reached = rng.uniform(0.25, 1.0)
    up_s = float(rng.choice([0.9, 1.4, 2.0, 2.8], p=[0.15, 0.35, 0.35, 0.15]))
    hold_s = float(rng.choice([0.0, 0.5, 1.0, 2.0], p=[0.15, 0.2, 0.45, 0.2]))
    straight = movement in MOVEMENTS[:4]
    return Exercise(
        movement=movement,
        side=side,
        repetitions=tuple(
            Repetition(
                peak=float(low + np.clip(reached + rng.normal(0, 0.04), 0, 1) * (high - low)),
                up_s=up_s * float(rng.uniform(0.9, 1.1)),
                hold_s=hold_s,
                down_s=up_s * float(rng.uniform(0.85, 1.2)),
                rest_s=float(rng.uniform(0.4, 0.9)),
            )
            for _ in range(repetitions)
        ),
        ready_s=0.4 if straight else 1.2,
        elbow_deg=float(rng.uniform(2, 14)),
        compensation=random_compensation(rng, strength=3.0 if rng.random() < 0.25 else 1.0),
    )


def random_script(rng: Rng, movement: Movement, side: Sides, *, repetitions: int = 2) -> Script:
    """One exercise with a personal way of standing."""
    return Script(
        acts=(random_exercise(rng, movement, side, repetitions=repetitions),),
        seed=int(rng.integers(2**31)),
        tremor_deg=float(rng.choice([0.1, 0.2, 0.5], p=[0.5, 0.4, 0.1])),
        sway_deg=float(rng.uniform(0.4, 1.2)),
        rest=random_rest(rng),
    )
