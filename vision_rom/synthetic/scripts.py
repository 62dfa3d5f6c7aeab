"""Ready-made scripts: one movement, the whole examination, an examiner beside the patient, the demonstration patient."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from vision_rom.synthetic.pose3d import ArmPose, Side
from vision_rom.synthetic.script import (
    Act,
    Compensation,
    Exercise,
    Movement,
    PainMark,
    Repetition,
    Script,
    Sides,
    Stand,
    Turn,
    planned_repetitions,
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

USUAL_ORDER: tuple[Movement, ...] = (
    "abduction",
    "cross_body_adduction",
    "external_rotation",
    "internal_rotation",
    "flexion",
    "extension",
    "external_rotation_90",
    "internal_rotation_90",
    "hand_behind_back",
)
"""Grouped by the way the patient faces, so that few turns are needed."""


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


def examination(
    peaks: Mapping[Movement, Mapping[Side, Sequence[float]]],
    *,
    order: Sequence[Movement] = USUAL_ORDER,
    seed: int = 0,
    up_s: float = 1.6,
    hold_s: float = 1.0,
    compensation: Compensation | None = None,
) -> Script:
    """Every movement of both sides in one take, turning so that each is seen from where it should be.

    Args:
        peaks: movement -> side -> peak of each repetition; a side that is missing is left out.
        order: of the movements; those without peaks are passed over.
        seed: of sway and tremor.
        up_s: to raise; lowering takes as long.
        hold_s: at the top.
        compensation: of every movement.
    """
    acts: list[Act] = [Stand(1.0)]
    facing = 0.0
    for movement in order:
        for side, wanted in peaks.get(movement, {}).items():
            target = FACING_LEFT_DEG[movement] * (1 if side == "right" else -1)
            turn = (target - facing + 180) % 360 - 180
            if abs(turn) > 1:
                acts.append(Turn(turn, seconds=1.0 + abs(turn) / 90))
                acts.append(Stand(0.5))
            facing = target
            script = single_movement(
                movement, side, wanted, up_s=up_s, hold_s=hold_s, down_s=up_s, compensation=compensation
            )
            acts += [*script.acts, Stand(0.6)]
    if abs(facing) > 1:
        acts.append(Turn((-facing + 180) % 360 - 180, seconds=2.0))
    return Script(acts=tuple(acts), seed=seed)


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


def painful_right_shoulder(*, seed: int = 5) -> Script:
    """The demonstration patient: an invented person with a limited, painful right shoulder and a sound left one."""
    sound: dict[Movement, Sequence[float]] = {
        "abduction": (158, 161),
        "flexion": (162, 165),
        "external_rotation": (62, 64),
        "hand_behind_back": (0.55,),
    }
    painful: dict[Movement, Sequence[float]] = {
        "abduction": (84, 92),
        "flexion": (98, 104),
        "external_rotation": (24, 28),
        "hand_behind_back": (1.0,),
    }
    order: tuple[Movement, ...] = ("abduction", "external_rotation", "flexion", "hand_behind_back")
    script = examination(
        {movement: {"left": sound[movement], "right": painful[movement]} for movement in order}, order=order, seed=seed
    )
    guarded = Compensation(lean_away_deg=9, lean_back_deg=3, hike_m=0.03, elbow_bend_deg=10, drift_deg=8)
    acts = tuple(
        replace(act, compensation=guarded)
        if isinstance(act, Exercise) and act.side == "right" and act.movement in ("abduction", "flexion")
        else act
        for act in script.acts
    )
    marks = tuple(
        PainMark("left", planned.top_s - 0.7, planned.hold_end_s + 0.3)
        for planned in planned_repetitions(script)
        if planned.side == "right" and planned.movement == "abduction"
    )
    return replace(script, acts=acts, pain_marks=marks)
