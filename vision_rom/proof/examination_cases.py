"""Whole examinations of rendered people in one take: every movement of both sides, with turns, with and without an examiner.

People, rooms and tempers of the claim (:data:`CLAIMED_PEOPLE`) are others than those that recognition was written with
(:data:`SEEN_PEOPLE`, :data:`SEEN_LATER`, :data:`SEEN_LAST`), and others than those of every other set.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from vision_rom.proof.cases import ProofCase
from vision_rom.synthetic.camera import Camera
from vision_rom.synthetic.clip_description import Bystander, ClipDescription
from vision_rom.synthetic.phone import Phone
from vision_rom.synthetic.pose3d import SIDES, Side
from vision_rom.synthetic.script import (
    ROTATIONS,
    Act,
    Compensation,
    Exercise,
    Movement,
    PlannedRepetition,
    Repetition,
    Script,
    Sides,
    Stand,
    Turn,
    planned_repetitions,
)
from vision_rom.synthetic.scripts import FACING_LEFT_DEG, examiner_beside, examiner_demonstrates, random_rest

SEEN_PEOPLE = range(60001, 60009)
SEEN_LATER = range(61001, 61013)
"""The first people that a claim was made on. Their failures (88% named right) led to changes, so they are seen since."""
SEEN_LAST = range(62001, 62013)
"""The second (96.1% named right); some of their backs that were taken for fronts, a bent elbow, and somebody the detector passed over were
looked at, so they are seen since."""
CLAIMED_PEOPLE = range(63001, 63013)
FIRST_ROOMS = {60: 28000, 61: 28500, 62: 29000, 63: 29500}
"""By the people's thousands"""
RATE_HZ = 15.0

SOUND: dict[Movement, tuple[float, float]] = {
    "abduction": (145.0, 175.0),
    "cross_body_adduction": (115.0, 135.0),
    "external_rotation": (45.0, 80.0),
    "internal_rotation": (35.0, 60.0),
    "flexion": (145.0, 175.0),
    "extension": (35.0, 58.0),
    "elbow_flexion": (115.0, 142.0),
    "external_rotation_90": (55.0, 90.0),
    "internal_rotation_90": (35.0, 60.0),
    "hand_behind_back": (0.8, 0.5),
}
LIMITED: dict[Movement, tuple[float, float]] = {
    "abduction": (60.0, 110.0),
    "cross_body_adduction": (108.0, 118.0),
    "external_rotation": (20.0, 40.0),
    "internal_rotation": (25.0, 40.0),
    "flexion": (75.0, 120.0),
    "extension": (25.0, 38.0),
    "elbow_flexion": (95.0, 120.0),
    "external_rotation_90": (35.0, 55.0),
    "internal_rotation_90": (25.0, 40.0),
    "hand_behind_back": (1.05, 0.9),
}
"""Least and furthest peak of each movement (deg; ratio for the hand behind the back)"""

WITH_EXAMINER_BESIDE = (2, 8)
WITH_EXAMINER_DEMONSTRATING = (5, 11)
"""Which people of twelve have company"""
SHORT_ORDER: tuple[Movement, ...] = ("abduction", "external_rotation", "flexion", "extension", "hand_behind_back")
"""Where an examiner shows everything first, which doubles the time"""


@dataclass(frozen=True, slots=True)
class ExaminationCase:
    """One recording of the whole sequence."""

    case: ProofCase
    """``movement`` and ``side`` mean nothing here"""
    company: str
    """``alone``, ``examiner beside`` or ``examiner demonstrates``"""
    missing: tuple[Movement, Side]
    """What this person does not show"""

    @property
    def planned(self) -> tuple[PlannedRepetition, ...]:
        """Every repetition of the patient."""
        return planned_repetitions(self.case.description.script)


def examination_cases(people: Sequence[int]) -> Iterator[ExaminationCase]:
    """Yield the recording of each person, the same each time."""
    for number, person in enumerate(people):
        yield _examination_case(number, person)


def _examination_case(number: int, person: int) -> ExaminationCase:
    rng = np.random.default_rng((person, 1729))
    demonstrates = number % 12 in WITH_EXAMINER_DEMONSTRATING
    script, missing = _script(rng, SHORT_ORDER if demonstrates else tuple(SOUND), number)
    bystander, company = None, "alone"
    if demonstrates:
        examiner, script = examiner_demonstrates(script, seed=number + 7, lead_s=0.6, side=SIDES[number % 2])
        bystander, company = Bystander(person=person + 500, script=examiner), "examiner demonstrates"
    elif number % 12 in WITH_EXAMINER_BESIDE:
        beside = examiner_beside(script.duration_s, seed=number + 7, side=SIDES[number % 2])
        bystander, company = Bystander(person=person + 500, script=beside), "examiner beside"
    description = ClipDescription(
        person=person,
        script=script,
        bystander=bystander,
        camera=_camera(rng, two_people=bystander is not None),
        room=FIRST_ROOMS[person // 1000] + number,
        phone=Phone(
            exposure_ev=float(rng.normal(0.0, 0.2)),
            noise=float(rng.uniform(0.5, 3.5)),
            blur_px=float(rng.uniform(0.3, 0.9)),
            shutter_s=float(rng.uniform(0.003, 0.012)),
        ),
        rate_hz=RATE_HZ,
        seed=number,
    )
    case = ProofCase(
        name=f"examination-{number:02d}-{person}",
        movement="abduction",
        side="left",
        view="front",
        condition="second person" if bystander else "wanted view",
        description=description,
    )
    return ExaminationCase(case, company, missing)


def _script(rng: np.random.Generator, order: Sequence[Movement], number: int) -> tuple[Script, tuple[Movement, Side]]:
    limited: Side | None = SIDES[int(rng.integers(2))] if rng.random() < 0.6 else None
    missing = (order[int(rng.integers(len(order)))], SIDES[int(rng.integers(2))])
    both_at_once = number % 3 == 1
    acts: list[Act] = [Stand(1.2)]
    facing = 0.0
    for movement, sides in _grouped(order):
        wanted: tuple[Sides, ...] = ("both",) if both_at_once and movement == "abduction" else sides
        for side in wanted:
            if (movement, side) == missing:
                continue
            target = FACING_LEFT_DEG[movement] * (-1 if side == "left" else 1)
            turn = (target - facing + 180) % 360 - 180
            if abs(turn) > 1:
                acts += [Turn(turn + float(rng.normal(0, 4)), seconds=1.2 + abs(turn) / 90), Stand(0.6)]
            facing = target
            acts += [_exercise(rng, movement, side, limited), Stand(float(rng.uniform(0.4, 0.9)))]
    if abs(facing) > 1:
        acts.append(Turn((-facing + 180) % 360 - 180, seconds=2.2))
    acts.append(Stand(0.8))
    script = Script(
        acts=tuple(acts),
        seed=int(rng.integers(2**31)),
        sway_deg=float(rng.uniform(0.5, 1.0)),
        yaw_deg=float(rng.normal(0, 5)),
        rest=random_rest(rng),
    )
    return script, missing


def _grouped(order: Sequence[Movement]) -> Iterator[tuple[Movement, tuple[Side, ...]]]:
    """Yield movements so that all of one facing follow each other; from the side, one side after the other."""
    for movement in order:
        if FACING_LEFT_DEG[movement] == 0:
            yield movement, SIDES
    for side in ("right", "left"):
        for movement in order:
            if FACING_LEFT_DEG[movement] == 90:
                yield movement, (side,)
    for movement in order:
        if FACING_LEFT_DEG[movement] == 180:
            yield movement, SIDES


def _exercise(rng: np.random.Generator, movement: Movement, side: Sides, limited: Side | None) -> Exercise:
    low, high = (LIMITED if side == limited else SOUND)[movement]
    reach = float(rng.uniform(low, high)) if high > low else float(rng.uniform(high, low))
    way_s = float(rng.uniform(1.1, 1.8))
    hold_s = float(rng.uniform(0.7, 1.1))
    repetitions = tuple(
        Repetition(
            peak=reach - (0.0 if one == 0 or movement == "hand_behind_back" else float(rng.uniform(0, 4))),
            up_s=way_s,
            hold_s=hold_s,
            down_s=way_s,
            rest_s=float(rng.uniform(0.4, 0.7)),
        )
        for one in range(2 if rng.random() < 0.3 else 1)
    )
    posture_first = movement in ROTATIONS or movement in ("hand_behind_back", "cross_body_adduction")
    return Exercise(
        movement=movement,
        side=side,
        repetitions=repetitions,
        ready_s=float(rng.uniform(0.9, 1.3)) if posture_first else 0.4,
        elbow_deg=float(rng.uniform(3.0, 14.0)),
        compensation=Compensation(
            lean_away_deg=float(abs(rng.normal(0, 2.0))),
            drift_deg=0.0 if movement in ROTATIONS else float(rng.normal(0, 3.0)),
        ),
    )


def _camera(rng: np.random.Generator, *, two_people: bool) -> Camera:
    camera = Camera(
        view="front",
        off_plane_deg=float(rng.uniform(-5, 5)),
        distance_m=float(rng.uniform(2.6, 3.2)),
        height_m=float(rng.uniform(1.0, 1.25)),
        tilt_deg=float(rng.normal(0, 2)),
        pan_deg=float(rng.normal(0, 1.5)),
        roll_deg=float(rng.normal(0, 1.5)),
        vertical_fov_deg=float(rng.uniform(54.0, 66.0)),
        width_px=384,
        height_px=512,
    )
    if not two_people:
        return camera
    # the phone held across, so that both fit: its picture is as much lower as it is wider
    return replace(camera, width_px=640, height_px=448, distance_m=3.3, vertical_fov_deg=float(rng.uniform(42.0, 46.0)))
