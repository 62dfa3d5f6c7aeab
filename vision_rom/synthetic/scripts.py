"""Pieces of scripts: one movement, a hanging arm, an examiner beside the patient, who looks on or shows the movements."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from vision_rom.synthetic.pose3d import ArmPose, Side
from vision_rom.synthetic.script import (
    Act,
    Compensation,
    Exercise,
    Movement,
    Repetition,
    Script,
    Sides,
    Stand,
)

FACING_LEFT_DEG: dict[Movement, float] = {
    "abduction": 0.0,
    "scaption": 0.0,
    "flexion": 90.0,
    "extension": 90.0,
    "cross_body_adduction": 0.0,
    "external_rotation": 0.0,
    "internal_rotation": 0.0,
    "external_rotation_90": 90.0,
    "internal_rotation_90": 90.0,
    "hand_behind_back": 180.0,
    "elbow_flexion": 90.0,
}
"""Turn to the left that shows a movement of the right arm to a camera in front; for the left arm, to the right."""


def single_movement(
    movement: Movement,
    side: Sides,
    peaks: Sequence[float],
    *,
    up_s: float = 2.0,
    hold_s: float = 1.0,
    down_s: float = 2.0,
    rest_s: float = 0.6,
    seed: int = 0,
    compensation: Compensation | None = None,
) -> Script:
    """Repetitions of one movement with the given peaks."""
    straight = movement in ("abduction", "scaption", "flexion", "extension")
    exercise = Exercise(
        movement=movement,
        side=side,
        repetitions=tuple(Repetition(float(peak), up_s, hold_s, down_s, rest_s) for peak in peaks),
        ready_s=0.5 if straight else 1.2,
        compensation=compensation or Compensation(),
    )
    return Script(acts=(exercise,), seed=seed)


def random_rest(rng: np.random.Generator) -> ArmPose:
    """Return a hanging arm, as different people let it hang."""
    return ArmPose(
        elevation_deg=float(rng.uniform(3, 13)),
        plane_deg=float(rng.normal(15, 25)),
        rotation_deg=float(rng.normal(-10, 15)),
        elbow_deg=float(rng.uniform(4, 25)),
        pronation_deg=float(rng.normal(10, 20)),
    )


def examiner_beside(duration_s: float, *, seed: int, side: Side = "left") -> Script:
    """Someone who stands beside the patient and looks on."""
    x = 1.0 if side == "left" else -1.0
    return Script(
        acts=(Stand(duration_s),),
        seed=seed,
        position_m=(x, 0.25),
        yaw_deg=-35.0 * x,
        rest=ArmPose(8.0, 40.0, -30.0, 35.0),
    )


def examiner_demonstrates(patient: Script, *, seed: int, lead_s: float, side: Side = "left") -> tuple[Script, Script]:
    """Return the examiner's script and the patient's, who copies each movement ``lead_s`` after it was shown.

    The examiner does one repetition of each exercise and then stands until the next.
    """
    shown: list[Act] = []
    copied: list[Act] = []
    for act in patient.acts:
        if isinstance(act, Exercise):
            once = replace(act, repetitions=act.repetitions[:1], compensation=Compensation())
            length = 2 * once.ready_s + once.repetitions[0].duration_s
            shown += [once, Stand(lead_s + 2 * act.ready_s + sum(r.duration_s for r in act.repetitions))]
            copied += [Stand(length + lead_s), act]
        else:
            shown.append(Stand(act.seconds))
            copied.append(act)
    x = 1.05 if side == "left" else -1.05
    examiner = Script(acts=tuple(shown), seed=seed, position_m=(x, 0.15))
    return examiner, replace(patient, acts=tuple(copied))
