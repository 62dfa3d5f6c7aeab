"""What every stage of people is cast from: invented people, rooms, cameras, and one raise of an arm.

People and rooms are those of no proof and no training. ``seen`` are those that the mending was done with, ``fresh`` others that
it was checked on afterwards.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from vision_rom.handover import Side, other_side
from vision_rom.proof.hostile.stages import Role, Stage, roomy
from vision_rom.synthetic.camera import Camera, CameraView
from vision_rom.synthetic.people import Person, make_person
from vision_rom.synthetic.pose3d import ArmPose
from vision_rom.synthetic.scene import Room, make_room
from vision_rom.synthetic.script import Act, Exercise, Gesture, Movement, Repetition, Script, Stand

Which = Literal["seen", "fresh"]
FIRST_PERSON: dict[Which, int] = {"seen": 70001, "fresh": 71001}
FIRST_ROOM: dict[Which, int] = {"seen": 23000, "fresh": 24000}
Turned = Literal["no", "told", "upside down", "on its left", "on its right"]
"""How the phone was held, and whether the file says so"""
HANGING = ArmPose(6.0, 15.0, -10.0, 12.0)
MARBLE, BRONZE = (222, 220, 214), (96, 74, 50)


@dataclass(frozen=True, slots=True, eq=False)
class PeopleCase:
    """One recording and what is true of it."""

    name: str
    situation: str
    stage: Stage
    real: tuple[Role, ...]
    """Whoever may be measured; nobody where there is none"""
    movement: Movement
    side: Side
    """What is asked for"""
    turned: Turned = "no"
    drawn_as: str = ""
    """Name of the case whose pictures these are; its own where empty"""


class Casting:
    """Hands out people, rooms and peaks in turn."""

    def __init__(self, which: Which, number: int) -> None:
        self._person, self._room = FIRST_PERSON[which] + 40 * number, FIRST_ROOM[which] + 25 * number
        self.rng = np.random.default_rng((FIRST_PERSON[which], number))

    def person(self) -> Person:
        """Invent the next person."""
        self._person += 1
        return make_person(self._person)

    def room(self) -> Room:
        """Build the next room that is deep enough."""
        self._room = roomy(self._room + 1)
        return make_room(self._room)

    def camera(self, view: CameraView = "front", **changes: float) -> Camera:
        """Set up a phone as asked for in the README, but for what is changed."""
        usual = Camera(
            view=view,
            off_plane_deg=float(self.rng.uniform(-4, 4)),
            distance_m=float(self.rng.uniform(2.7, 3.1)),
            height_m=float(self.rng.uniform(1.05, 1.2)),
            vertical_fov_deg=62.0,
            width_px=384,
            height_px=512,
        )
        return replace(usual, **changes)  # type: ignore[arg-type]

    def side(self) -> Side:
        """Return the arm that moves."""
        return "left" if self.rng.random() < 0.5 else "right"


def raised_once(
    movement: Movement,
    side: Side,
    peak: float,
    *,
    seed: int,
    x: float = 0.0,
    y: float = 0.0,
    before: tuple[Act, ...] = (),
    after: tuple[Act, ...] = (Stand(0.2),),
    other: ArmPose | None = None,
) -> Script:
    """One raise, hold and return; ``other`` is how the arm that does not move is kept."""
    exercise = Exercise(movement, side, (Repetition(peak, 1.0, 0.9, 0.9, 0.1),), ready_s=0.3)
    script = Script(acts=(*before, exercise, *after), seed=seed, position_m=(x, y))
    if other is None:
        return script
    return replace(script, gestures=(Gesture(other_side(side), -5.0, 60.0, other),))


def standing_still(
    seed: int, *, x: float = 0.0, y: float = 0.0, rest: ArmPose = HANGING, yaw_deg: float = 0.0
) -> Script:
    """Nothing but standing, without the least sway."""
    return Script(
        acts=(Stand(5.0),),
        seed=seed,
        position_m=(x, y),
        yaw_deg=yaw_deg,
        rest=rest,
        sway_deg=0.0,
        tremor_deg=0.0,
    )


def patient_of(cast: Casting, peak: float, *, side: Side, movement: Movement = "abduction", **options: object) -> Role:
    """Cast somebody who raises an arm once; ``options`` are those of :func:`raised_once`."""
    person = cast.person()
    return Role(person, raised_once(movement, side, peak, seed=person.seed, **options))  # type: ignore[arg-type]


def alone(
    name: str, situation: str, role: Role, room: Room, camera: Camera, movement: Movement, side: Side, **stage: object
) -> PeopleCase:
    """Return the case of a patient alone in a room; ``stage`` holds more of the stage's fields."""
    staged = Stage(room, camera, (role,), role.script.duration_s, seed=role.person.seed, **stage)  # type: ignore[arg-type]
    return PeopleCase(name, situation, staged, (role,), movement, side)


def side_of(role: Role) -> Side:
    """Return the side of a role's first exercise."""
    act = next(act for act in role.script.acts if isinstance(act, Exercise))
    return "left" if act.side == "left" else "right"
