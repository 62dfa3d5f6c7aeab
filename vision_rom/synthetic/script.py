"""What a person is to do: movements, repetitions, turns and pauses, as data.

A :class:`Script` is frozen and can be written as JSON. The posture that it means at an instant is the business of
``choreography.py``.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any, Literal, get_args

from vision_rom.synthetic.pose3d import SIDES, ArmPose, Side

Movement = Literal[
    "abduction",
    "scaption",
    "flexion",
    "extension",
    "cross_body_adduction",
    "external_rotation",
    "internal_rotation",
    "external_rotation_90",
    "internal_rotation_90",
    "hand_behind_back",
    "elbow_flexion",
]
MOVEMENTS: tuple[Movement, ...] = get_args(Movement)
Sides = Literal["left", "right", "both"]

ROTATIONS: tuple[Movement, ...] = (
    "external_rotation",
    "internal_rotation",
    "external_rotation_90",
    "internal_rotation_90",
)


@dataclass(frozen=True, slots=True)
class Compensation:
    """What the body adds at the peak of an effort; it grows with the effort and goes back with it."""

    lean_away_deg: float = 0.0
    """Side bend away from the moving arm"""
    lean_back_deg: float = 0.0
    turn_toward_deg: float = 0.0
    """Trunk turned toward the moving arm's side"""
    hike_m: float = 0.0
    elbow_bend_deg: float = 0.0
    drift_deg: float = 0.0
    """Out of the plane, forward positive"""


@dataclass(frozen=True, slots=True)
class Repetition:
    """One raise and return."""

    peak: float
    """Degrees in the movement's sign; for the hand behind the back the ratio of heights (0 C7, 1 sacrum line); for
    adduction across the body the plane in which the level arm ends (90 straight ahead, 130 across)."""
    up_s: float = 2.0
    hold_s: float = 1.0
    down_s: float = 2.0
    rest_s: float = 0.6
    drop_from_deg: float | None = None
    """The lowering arm is let fall from this angle within 0.35 s; None: lowered under control"""

    @property
    def duration_s(self) -> float:
        """With the rest after it."""
        return self.up_s + self.hold_s + self.down_s + self.rest_s


@dataclass(frozen=True, slots=True)
class Exercise:
    """Repetitions of one movement, from rest to rest."""

    movement: Movement
    side: Sides
    repetitions: tuple[Repetition, ...]
    ready_s: float = 1.2
    """To take up the starting posture (elbow bent, arm level, hand on the buttock) and to leave it again"""
    elbow_deg: float = 8.0
    """How far the elbow stays bent in movements of the straight arm"""
    compensation: Compensation = field(default_factory=Compensation)
    scales_with_range: bool = True
    """Compensation grows in proportion to the effort; otherwise it is there from the first degrees"""

    @property
    def sides(self) -> tuple[Side, ...]:
        """The arms that move."""
        return SIDES if self.side == "both" else (self.side,)


@dataclass(frozen=True, slots=True)
class Turn:
    """The whole person turns on the spot, with small steps."""

    yaw_left_deg: float
    """By how much, to the left"""
    seconds: float = 1.8


@dataclass(frozen=True, slots=True)
class Walk:
    """The person walks to another place, facing as before."""

    by_m: tuple[float, float]
    """World x and y"""
    seconds: float = 1.5


@dataclass(frozen=True, slots=True)
class Stand:
    """The person stands."""

    seconds: float = 1.0


@dataclass(frozen=True, slots=True)
class Traced:
    """One repetition as a real person did it: directions of both arms and the trunk's lean at some instants.

    Between the keyframes directions are interpolated; before the first and after the last the arms come from rest and go
    back to it. Arms are in the thorax's axes: x to the left, y backward, z up.
    """

    movement: Movement
    side: Side
    """The arm that does it"""
    time_s: tuple[float, ...]
    """Of each keyframe, from 0"""
    left: tuple[tuple[float, ...], ...]
    """Of each keyframe: upper arm x, y, z, forearm x, y, z"""
    right: tuple[tuple[float, ...], ...]
    trunk: tuple[tuple[float, ...], ...]
    """Of each keyframe: lean to the left, lean backward, turn to the left, in degrees"""
    ready_s: float = 1.2
    """To come from rest, and to go back to it"""
    source: str = ""
    """Which recording this is"""

    @property
    def seconds(self) -> float:
        """From rest to rest."""
        return 2 * self.ready_s + self.time_s[-1]


Act = Exercise | Traced | Turn | Walk | Stand


USUAL_LIFT_S = 0.45
"""A hand takes so long where nothing else is said. By eye."""


@dataclass(frozen=True, slots=True)
class PainMark:
    """The hand of one side is held up as a signal of pain."""

    side: Side
    start_s: float
    """It sets out"""
    end_s: float
    """It sets out to go down"""
    lift_s: float = USUAL_LIFT_S
    """On its way up"""
    lower_s: float = USUAL_LIFT_S
    """On its way down"""


@dataclass(frozen=True, slots=True)
class Gesture:
    """One arm leaves what it does for a posture of its own, and goes back: a hand held up, a scratch, a reach."""

    side: Side
    start_s: float
    """It sets out"""
    end_s: float
    """It turns back"""
    pose: ArmPose
    lift_s: float = USUAL_LIFT_S
    """On the way there, and on the way back"""
    shake_deg: float = 0.0
    """Amplitude with which the elbow bends and straightens meanwhile, as in a scratch"""
    shake_hz: float = 3.0


@dataclass(frozen=True, slots=True)
class Script:
    """Everything one person does in a recording."""

    acts: tuple[Act, ...]
    seed: int = 0
    """Of sway and tremor"""
    tremor_deg: float = 0.15
    """Standard deviation at 4 to 8 Hz"""
    sway_deg: float = 0.8
    """Standard deviation of slow drift, 0.05 to 0.5 Hz"""
    position_m: tuple[float, float] = (0.0, 0.0)
    yaw_deg: float = 0.0
    rest: ArmPose = field(default_factory=lambda: ArmPose(6.0, 15.0, -10.0, 12.0))
    pain_marks: tuple[PainMark, ...] = ()
    gestures: tuple[Gesture, ...] = ()
    """They take the place of whatever the arm does otherwise; a later one that of an earlier one"""

    @property
    def duration_s(self) -> float:
        """From the first act's start to the last one's end."""
        return sum(duration_s(act) for act in self.acts)


@dataclass(frozen=True, slots=True)
class PlannedRepetition:
    """When a repetition is planned to happen, and where it is planned to end."""

    movement: Movement
    side: Side
    start_s: float
    top_s: float
    """The peak is reached; NaN where that is not planned but traced"""
    hold_end_s: float
    """NaN as above"""
    end_s: float
    peak: float
    """NaN as above"""
    number: int
    """Within its exercise, from 0"""


def duration_s(act: Act) -> float:
    """Length of an act."""
    if isinstance(act, Exercise):
        return 2 * act.ready_s + sum(repetition.duration_s for repetition in act.repetitions)
    return act.seconds


def planned_repetitions(script: Script) -> tuple[PlannedRepetition, ...]:
    """Every repetition of every side, in order of time."""
    planned, clock = [], 0.0
    for act in script.acts:
        if isinstance(act, Exercise):
            at = clock + act.ready_s
            for number, repetition in enumerate(act.repetitions):
                top = at + repetition.up_s
                for side in act.sides:
                    planned.append(
                        PlannedRepetition(
                            movement=act.movement,
                            side=side,
                            start_s=at,
                            top_s=top,
                            hold_end_s=top + repetition.hold_s,
                            end_s=top + repetition.hold_s + repetition.down_s,
                            peak=repetition.peak,
                            number=number,
                        )
                    )
                at += repetition.duration_s
        elif isinstance(act, Traced):
            nan = float("nan")
            planned.append(PlannedRepetition(act.movement, act.side, clock, nan, nan, clock + act.seconds, nan, 0))
        clock += duration_s(act)
    return tuple(planned)


_ACTS: dict[str, type[Act]] = {"exercise": Exercise, "traced": Traced, "turn": Turn, "walk": Walk, "stand": Stand}


def script_to_json(script: Script) -> dict[str, Any]:
    """Return the script as plain numbers, texts, lists and dictionaries."""
    document = asdict(script)
    names = {kind: name for name, kind in _ACTS.items()}
    document["acts"] = [
        {"act": names[type(act)]} | inner for act, inner in zip(script.acts, document["acts"], strict=True)
    ]
    if not script.gestures:
        # documents from before there were gestures stay what they were, letter by letter
        del document["gestures"]
    for mark in document["pain_marks"]:
        # and so do those from before a hand had a speed of its own
        for field_name in ("lift_s", "lower_s"):
            if mark[field_name] == USUAL_LIFT_S:
                del mark[field_name]
    return document


def script_from_json(document: dict[str, Any]) -> Script:
    """Read what :func:`script_to_json` wrote.

    ValueError: the document has an act that does not exist, or a field is missing or unknown.
    """
    try:
        acts = tuple(_act_from_json(dict(act)) for act in document["acts"])
        rest = ArmPose(**document["rest"])
        marks = tuple(PainMark(**mark) for mark in document["pain_marks"])
        gestures = tuple(
            Gesture(**{**gesture, "pose": ArmPose(**gesture["pose"])}) for gesture in document.get("gestures", ())
        )
        x, y = document["position_m"]
        read = ("acts", "rest", "pain_marks", "gestures", "position_m")
        others = {k: v for k, v in document.items() if k not in read}
        return Script(acts=acts, rest=rest, pain_marks=marks, gestures=gestures, position_m=(x, y), **others)
    except (KeyError, TypeError) as error:
        raise ValueError(f"not a script of movements: {error}") from error


def _act_from_json(act: dict[str, Any]) -> Act:
    kind = act.pop("act")
    if kind not in _ACTS:
        raise ValueError(f"not a script of movements: there is no act '{kind}', only {', '.join(_ACTS)}")
    if kind == "exercise":
        act["repetitions"] = tuple(Repetition(**repetition) for repetition in act["repetitions"])
        act["compensation"] = Compensation(**act["compensation"])
    elif kind == "walk":
        act["by_m"] = tuple(act["by_m"])
    elif kind == "traced":
        act["time_s"] = tuple(act["time_s"])
        for name in ("left", "right", "trunk"):
            act[name] = tuple(tuple(keyframe) for keyframe in act[name])
    return _ACTS[kind](**act)
