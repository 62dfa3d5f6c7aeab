"""The proof's clips as data: who is filmed doing what, from where, and under which difficulty.

Nobody in this set was ever learned from. The learned correction is trained on people with seeds of 100000 and more only
(``training/sessions.py``, ``FIRST_PERSON``), in rooms 0 to 399; here the people's seeds lie below 100000 and the rooms'
at 20000 and more. The people of the quick set are others than those of the full one.

The clips of a condition are spread over the set's order, lower angles first, so that every second or third clip is a
smaller sample of about the same mix.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from importlib.resources import files
from typing import Any, Literal

import numpy as np

from vision_rom.handover import Side
from vision_rom.synthetic.camera import Camera, CameraView
from vision_rom.synthetic.clip_description import Bystander, ClipDescription
from vision_rom.synthetic.phone import LOW_LIGHT, Phone
from vision_rom.synthetic.script import (
    ROTATIONS,
    Compensation,
    Exercise,
    Movement,
    Repetition,
    Script,
    Traced,
    script_from_json,
)
from vision_rom.synthetic.scripts import examiner_beside

ProofView = Literal["front", "back", "front, turned to the scapular plane", "side"]
Condition = Literal[
    "wanted view",
    "camera 25 deg off, to the left",
    "camera 25 deg off, to the right",
    "phone tilted 20 deg up",
    "phone tilted 20 deg down",
    "limited range",
    "trunk leans",
    "shoulder hiked",
    "elbow bent",
    "two repetitions",
    "low light",
    "second person",
    "recorded motion",
]

FULL_PEOPLE = range(20001, 20041)
QUICK_PEOPLE = range(30001, 30013)
CALIBRATION_PEOPLE = range(40001, 40081)
FIRST_ROOM = 20000
FIRST_CALIBRATION_ROOM = 21000
OFF_PLANE_DEG = 25.0
TILT_DEG = 20.0
SCAPULAR_PLANE_DEG = 35.0
"""Of ``synthetic/choreography.py``: how far forward of sideways scaption goes."""
SECOND_PEAK_DEG = 25.0
"""By how much the second of two repetitions stays below the first"""

_COMPENSATIONS: dict[Condition, Compensation] = {
    "trunk leans": Compensation(lean_away_deg=12.0, lean_back_deg=5.0),
    "shoulder hiked": Compensation(hike_m=0.035),
    "elbow bent": Compensation(elbow_bend_deg=40.0),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ProofCase:
    """One clip of the proof, and what the person who filmed it would tell the tool."""

    name: str
    """Of the clip's file, without suffix; unique in its set"""
    movement: Movement
    side: Side
    view: ProofView
    condition: Condition
    description: ClipDescription

    @property
    def off_plane_deg(self) -> float:
        """Turn of the camera off the direction that this view is meant to have, towards the person's left."""
        return self.description.camera.off_plane_deg - _view_turn_deg(self.view, self.side)

    @property
    def patient(self) -> int | tuple[float, float] | None:
        """Whom the user would point at: a point (x, y) in pixels on the patient where there is a second person."""
        if self.description.bystander is None:
            return None
        camera = self.description.camera
        (x, y), *_ = camera.project(np.array([[0.0, 0.0, 1.1]]))[0]
        return float(x), float(y)


@dataclass(frozen=True, slots=True)
class _Plan:
    """Clips of one movement, view and condition: one for each peak (deg), or for each named recording."""

    movement: Movement
    view: ProofView
    condition: Condition
    peaks: tuple[float, ...] = ()
    recordings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Pace:
    """Times of a repetition, and pictures a second."""

    ready_s: float
    up_s: float
    hold_s: float
    down_s: float
    rate_hz: float


_FULL_PACE = _Pace(0.35, 1.2, 0.9, 1.0, 15.0)
_QUICK_PACE = _Pace(0.3, 0.9, 0.8, 0.7, 12.0)
_BENDING_S = 0.7
"""To bend the elbow before a rotation"""

_LEFT: Condition = "camera 25 deg off, to the left"
_RIGHT: Condition = "camera 25 deg off, to the right"
_UP: Condition = "phone tilted 20 deg up"
_DOWN: Condition = "phone tilted 20 deg down"
_TURNED: ProofView = "front, turned to the scapular plane"

FULL_PLAN: tuple[_Plan, ...] = (
    _Plan("abduction", "front", "wanted view", (30, 80, 120, 140, 155, 165, 172, 178)),
    _Plan("abduction", "front", _LEFT, (95, 145, 170)),
    _Plan("abduction", "front", _RIGHT, (110, 150, 165)),
    _Plan("abduction", "front", _UP, (120, 168)),
    _Plan("abduction", "front", _DOWN, (135, 160)),
    _Plan("abduction", "front", "limited range", (62, 75, 88, 104)),
    _Plan("abduction", "front", "trunk leans", (85, 125)),
    _Plan("abduction", "front", "shoulder hiked", (92, 115)),
    _Plan("abduction", "front", "elbow bent", (130,)),
    _Plan("abduction", "front", "two repetitions", (150, 172)),
    _Plan("abduction", "front", "low light", (100, 162)),
    _Plan("abduction", "front", "second person", (118, 158)),
    _Plan("abduction", "front", "recorded motion", (), ("m07_s01_e01", "m07_s07_e02")),
    _Plan("abduction", "back", "wanted view", (45, 110, 145, 160, 174)),
    _Plan("abduction", "back", _LEFT, (130, 165)),
    _Plan("abduction", "back", _RIGHT, (105, 155)),
    _Plan("abduction", "back", _UP, (150,)),
    _Plan("abduction", "back", _DOWN, (140,)),
    _Plan("abduction", "back", "limited range", (70, 96)),
    _Plan("scaption", "front", "wanted view", (60, 115, 140, 158, 172)),
    _Plan("scaption", "front", _LEFT, (100, 150)),
    _Plan("scaption", "front", _RIGHT, (125, 165)),
    _Plan("scaption", "front", _UP, (145,)),
    _Plan("scaption", "front", _DOWN, (130,)),
    _Plan("scaption", "front", "limited range", (78, 98)),
    _Plan("scaption", "front", "recorded motion", (), ("m10_s02_e01",)),
    _Plan("scaption", _TURNED, "wanted view", (50, 125, 150, 170)),
    _Plan("scaption", _TURNED, _LEFT, (140,)),
    _Plan("scaption", _TURNED, _RIGHT, (160,)),
    _Plan("scaption", _TURNED, _UP, (135,)),
    _Plan("scaption", _TURNED, _DOWN, (155,)),
    _Plan("scaption", _TURNED, "limited range", (85,)),
    _Plan("scaption", _TURNED, "recorded motion", (), ("m10_s07_e01",)),
    _Plan("flexion", "side", "wanted view", (30, 85, 120, 145, 158, 168, 176)),
    _Plan("flexion", "side", _LEFT, (100, 140, 168)),
    _Plan("flexion", "side", _RIGHT, (90, 150, 165)),
    _Plan("flexion", "side", _UP, (125, 160)),
    _Plan("flexion", "side", _DOWN, (110, 155)),
    _Plan("flexion", "side", "limited range", (64, 82, 102)),
    _Plan("flexion", "side", "trunk leans", (95, 130)),
    _Plan("flexion", "side", "shoulder hiked", (105,)),
    _Plan("flexion", "side", "elbow bent", (135,)),
    _Plan("flexion", "side", "two repetitions", (148, 170)),
    _Plan("flexion", "side", "low light", (115, 164)),
    _Plan("flexion", "side", "second person", (152,)),
    _Plan("extension", "side", "wanted view", (22, 35, 48, 58)),
    _Plan("extension", "side", _LEFT, (30, 50)),
    _Plan("extension", "side", _RIGHT, (40, 55)),
    _Plan("extension", "side", _UP, (45,)),
    _Plan("extension", "side", _DOWN, (38,)),
    _Plan("extension", "side", "limited range", (25, 32)),
    _Plan("extension", "side", "low light", (42,)),
    _Plan("extension", "side", "recorded motion", (), ("m08_s01_e02", "m08_s07_e01")),
    _Plan("external_rotation", "front", "wanted view", (15, 30, 45, 60, 75)),
    _Plan("external_rotation", "front", _LEFT, (35, 65)),
    _Plan("external_rotation", "front", _RIGHT, (25, 55)),
    _Plan("external_rotation", "front", _UP, (50,)),
    _Plan("external_rotation", "front", _DOWN, (40,)),
    _Plan("external_rotation", "front", "two repetitions", (70,)),
    _Plan("external_rotation", "front", "low light", (48,)),
    _Plan("internal_rotation", "front", "wanted view", (25, 38, 48, 56)),
    _Plan("internal_rotation", "front", _LEFT, (45,)),
    _Plan("internal_rotation", "front", _RIGHT, (52,)),
    _Plan("internal_rotation", "front", _UP, (42,)),
    _Plan("internal_rotation", "front", _DOWN, (50,)),
)

ROTATION_90_PLAN: tuple[_Plan, ...] = (
    _Plan("external_rotation_90", "side", "wanted view", (30, 50, 70, 85)),
    _Plan("external_rotation_90", "side", _LEFT, (60,)),
    _Plan("external_rotation_90", "side", _RIGHT, (45,)),
    _Plan("external_rotation_90", "side", _UP, (55,)),
    _Plan("external_rotation_90", "side", _DOWN, (75,)),
    _Plan("internal_rotation_90", "side", "wanted view", (25, 40, 55)),
    _Plan("internal_rotation_90", "side", _LEFT, (45,)),
    _Plan("internal_rotation_90", "side", _RIGHT, (35,)),
)
"""Numbered after the others, which keep the people and rooms that they had before these were measured."""

QUICK_PLAN: tuple[_Plan, ...] = (
    _Plan("abduction", "front", "wanted view", (90, 150)),
    _Plan("abduction", "front", "limited range", (70,)),
    _Plan("abduction", "front", _LEFT, (130,)),
    _Plan("abduction", "back", "wanted view", (140,)),
    _Plan("scaption", _TURNED, "wanted view", (145,)),
    _Plan("flexion", "side", "wanted view", (100, 155)),
    _Plan("flexion", "side", _DOWN, (130,)),
    _Plan("extension", "side", "wanted view", (45,)),
    _Plan("external_rotation", "front", "wanted view", (50,)),
    _Plan("internal_rotation", "front", "wanted view", (40,)),
)


def full_set() -> tuple[ProofCase, ...]:
    """Return every clip of the full proof."""
    first = _cases(FULL_PLAN, FULL_PEOPLE, _FULL_PACE)
    return first + _cases(ROTATION_90_PLAN, FULL_PEOPLE, _FULL_PACE, first_number=len(first))


def quick_set() -> tuple[ProofCase, ...]:
    """Return the few short clips that a change is checked with; other people than those of the full set."""
    return _cases(QUICK_PLAN, QUICK_PEOPLE, _QUICK_PACE)


def calibration_set() -> tuple[ProofCase, ...]:
    """Return the clips that intervals and smoothing are set with: people, rooms and angles of no proof.

    Every plan of the full proof twice (the few of rotation at 90 degrees three times), each peak moved at random by up to 12 degrees downwards and 6 upwards.
    """
    rng = np.random.default_rng(1618)
    plans = tuple(
        replace(plan, peaks=tuple(float(min(peak + rng.uniform(-12, 6), 179)) for peak in plan.peaks))
        for several in ((FULL_PLAN,) * 2, (ROTATION_90_PLAN,) * 3)
        for plans in several
        for plan in plans
    )
    return _cases(plans, CALIBRATION_PEOPLE, _FULL_PACE, first_room=FIRST_CALIBRATION_ROOM)


def _cases(
    plans: tuple[_Plan, ...], people: range, pace: _Pace, *, first_room: int = FIRST_ROOM, first_number: int = 0
) -> tuple[ProofCase, ...]:
    wanted: list[tuple[float, _Plan, float | str]] = []
    for plan in plans:
        sources: tuple[float | str, ...] = plan.peaks or plan.recordings
        wanted += [((number + 0.5) / len(sources), plan, source) for number, source in enumerate(sources)]
    wanted.sort(key=lambda entry: entry[0])
    # 7 and the number of people have no common factor, so that neighbours in the order are different people
    return tuple(
        _case(number, plan, source, people[(7 * number) % len(people)], pace, first_room)
        for number, (_, plan, source) in enumerate(wanted, first_number)
    )


def _case(number: int, plan: _Plan, source: float | str, person: int, pace: _Pace, first_room: int) -> ProofCase:
    rng = np.random.default_rng((person, number, 2718))
    side: Side = "left" if rng.random() < 0.5 else "right"
    if isinstance(source, str):
        act = recorded_act(source)
        side = act.side
        script = Script(acts=(act,), seed=number)
    else:
        script = Script(acts=(_exercise(plan, source, side, pace, rng),), seed=number)
    camera = _camera(plan, side, rng)
    bystander = None
    if plan.condition == "second person":
        camera = replace(camera, width_px=512, height_px=384, distance_m=3.4)
        beside = examiner_beside(script.duration_s, seed=number + 1, side="right" if side == "left" else "left")
        bystander = Bystander(person=person + 500, script=beside)
    return ProofCase(
        name=f"{number:03d}-{plan.movement}-{side}-{person}",
        movement=plan.movement,
        side=side,
        view=plan.view,
        condition=plan.condition,
        description=ClipDescription(
            person=person,
            script=script,
            bystander=bystander,
            camera=camera,
            room=first_room + number,
            phone=LOW_LIGHT if plan.condition == "low light" else _phone(rng),
            rate_hz=pace.rate_hz,
            seed=number,
        ),
    )


def _exercise(plan: _Plan, peak: float, side: Side, pace: _Pace, rng: np.random.Generator) -> Exercise:
    habit = _COMPENSATIONS.get(plan.condition, Compensation())
    # nobody moves exactly in the plane, nor with the trunk quite still (sizes by eye)
    compensation = replace(
        habit,
        drift_deg=float(rng.normal(0.0, 3.0)),
        lean_away_deg=habit.lean_away_deg + float(abs(rng.normal(0.0, 1.5))),
    )
    peaks = (peak, peak - SECOND_PEAK_DEG) if plan.condition == "two repetitions" else (peak,)
    rotation = plan.movement in ROTATIONS
    return Exercise(
        movement=plan.movement,
        side=side,
        repetitions=tuple(Repetition(one, pace.up_s, pace.hold_s, pace.down_s, rest_s=0.1) for one in peaks),
        ready_s=_BENDING_S if rotation else pace.ready_s,
        elbow_deg=float(rng.uniform(3.0, 15.0)),
        compensation=replace(compensation, drift_deg=0.0) if rotation else compensation,
    )


def _camera(plan: _Plan, side: Side, rng: np.random.Generator) -> Camera:
    near: CameraView = "left_side" if side == "left" else "right_side"
    views: dict[ProofView, CameraView] = {"front": "front", "back": "back", _TURNED: "front", "side": near}
    off_plane_deg = float(rng.uniform(-5.0, 5.0))
    tilt_deg = float(rng.normal(0.0, 2.0))
    if plan.condition in (_LEFT, _RIGHT):
        off_plane_deg = OFF_PLANE_DEG if plan.condition == _LEFT else -OFF_PLANE_DEG
    if plan.condition in (_UP, _DOWN):
        tilt_deg = TILT_DEG if plan.condition == _UP else -TILT_DEG
    off_plane_deg += _view_turn_deg(plan.view, side)
    distance_m = float(rng.uniform(2.5, 3.2))
    # a tilted phone stands higher or lower, so that the person stays in its picture
    height_m = float(rng.uniform(1.0, 1.25)) - distance_m * float(np.tan(np.radians(tilt_deg)))
    return Camera(
        view=views[plan.view],
        off_plane_deg=off_plane_deg,
        distance_m=distance_m,
        height_m=max(height_m, 0.15),
        tilt_deg=tilt_deg,
        pan_deg=float(rng.normal(0.0, 1.5)),
        roll_deg=float(rng.normal(0.0, 1.5)),
        vertical_fov_deg=float(rng.uniform(54.0, 68.0)),
        width_px=384,
        height_px=512,
    )


def _view_turn_deg(view: ProofView, side: Side) -> float:
    """Return the turn, towards the person's left, from straight in front to where the plane of motion faces the camera."""
    if view != _TURNED:
        return 0.0
    return -SCAPULAR_PLANE_DEG if side == "left" else SCAPULAR_PLANE_DEG


def _phone(rng: np.random.Generator) -> Phone:
    """Return a decent phone in decent light."""
    return Phone(
        exposure_ev=float(rng.normal(0.0, 0.25)),
        gamma=float(rng.uniform(0.9, 1.15)),
        warmth=float(np.clip(rng.normal(0.0, 0.06), -0.2, 0.2)),
        noise=float(rng.uniform(0.5, 4.5)),
        blur_px=float(rng.uniform(0.3, 1.0)),
        vignette=float(rng.uniform(0.0, 0.25)),
        sharpening=float(rng.uniform(0.0, 0.7)),
        shutter_s=float(rng.uniform(0.003, 0.014)),
    )


def recorded_act(name: str) -> Traced:
    """Return one recorded repetition of a real shoulder; KeyError where there is none of that name.

    UI-PRMD, public domain (PDDL 1.0): Vakanski A, Jun H-P, Paul D, Baker R. A data set of human body movements for
    physical rehabilitation exercises. Data 2018;3(1):2. ``recorded_motion.json`` was made from the marker positions by
    ``synthetic/capture.py`` (``read_motion(...).as_act(..., rate_hz=15, ready_s=0.4)``).
    """
    document: dict[str, Any] = json.loads(files("vision_rom.proof").joinpath("recorded_motion.json").read_text("utf-8"))
    act = script_from_json(document[name]).acts[0]
    assert isinstance(act, Traced)
    return act
