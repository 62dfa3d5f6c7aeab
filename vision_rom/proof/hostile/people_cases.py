"""Patients who are not as expected, and the list of all cases: each situation as stages, with what is true of them."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from vision_rom.handover import Side, other_side
from vision_rom.proof.hostile.bodies import child, gown_cloth, sitting, sleeve, sling_cloth, stump, wide_sleeves
from vision_rom.proof.hostile.casting import Casting, PeopleCase, Which, alone, patient_of, raised_once
from vision_rom.proof.hostile.people_who_are_none import NOBODY
from vision_rom.proof.hostile.stages import Role, in_room
from vision_rom.synthetic.camera import CameraView
from vision_rom.synthetic.phone import Phone
from vision_rom.synthetic.pose3d import ArmPose
from vision_rom.synthetic.scene import Lamp
from vision_rom.synthetic.script import Movement
from vision_rom.synthetic.solids import Material, Solids


def people_cases(which: Which) -> Iterator[PeopleCase]:
    """Yield every case; equal seeds give equal recordings."""
    for number, situation in enumerate(_SITUATIONS):
        # each situation casts from its own place, so that a change to one leaves the others as they are
        yield from situation(Casting(which, number))


def _children(cast: Casting) -> Iterator[PeopleCase]:
    for height_m, peak in ((1.0, 150.0), (1.2, 95.0)):
        side = cast.side()
        patient = patient_of(cast, peak, side=side)
        scale = height_m / patient.person.stature_m
        patient = replace(patient, change=child(scale), scale=scale)
        camera = cast.camera(distance_m=2.4, height_m=0.8)
        yield alone(f"child of {height_m:.2f} m", "child", patient, cast.room(), camera, "abduction", side)


def _seated(cast: Casting) -> Iterator[PeopleCase]:
    for name, thing, view, movement in (
        ("chair, from the front", "chair", "front", "abduction"),
        ("wheelchair, from the front", "wheelchair", "front", "abduction"),
        ("wheelchair, from the side", "wheelchair", "side", "flexion"),
    ):
        side: Side = cast.side()
        kind: Movement = "flexion" if movement == "flexion" else "abduction"
        patient = patient_of(cast, float(cast.rng.uniform(90, 150)), side=side, movement=kind)
        patient = replace(patient, pose=sitting)
        near: CameraView = "left_side" if side == "left" else "right_side"
        camera = cast.camera(near if view == "side" else "front", distance_m=2.6, height_m=0.95)
        seat = Solids()
        place = patient.hips_m(0.0)
        (_wheelchair if thing == "wheelchair" else _chair)(seat, float(place[1]), float(place[2]) - 0.09)
        room = in_room(cast.room(), seat)
        situation = "wheelchair" if thing == "wheelchair" else "seated"
        yield alone(f"{name}", situation, patient, room, camera, kind, side)


def _chair(s: Solids, y: float, seat_m: float) -> None:
    wood = (120, 84, 52)
    s.box([-0.22, y - 0.2, seat_m - 0.04], [0.22, y + 0.22, seat_m], wood)
    s.box([-0.21, y + 0.2, seat_m], [0.21, y + 0.23, seat_m + 0.42], wood)
    for x in (-0.2, 0.2):
        for deep in (y - 0.18, y + 0.21):
            s.rod([x, deep, 0.0], [x, deep, seat_m], 0.018, wood)


def _wheelchair(s: Solids, y: float, seat_m: float) -> None:
    black, steel = (28, 28, 32), (150, 152, 158)
    s.box([-0.23, y - 0.22, seat_m - 0.03], [0.23, y + 0.2, seat_m], black)
    s.box([-0.22, y + 0.18, seat_m], [0.22, y + 0.21, seat_m + 0.4], black)
    for x in (-0.29, 0.29):
        turn = np.linspace(0, 2 * np.pi, 25)
        rim = np.stack([np.full(25, x), y + 0.1 + 0.3 * np.cos(turn), 0.31 + 0.3 * np.sin(turn)], axis=1)
        for start, end in itertools.pairwise(rim):
            s.rod(start, end, 0.018, black)
        for spoke in rim[::3]:
            s.rod([x, y + 0.1, 0.31], spoke, 0.004, steel)
        s.rod([0.82 * x, y - 0.2, seat_m + 0.2], [0.82 * x, y + 0.18, seat_m + 0.2], 0.022, black)
        s.rod([0.82 * x, y - 0.2, 0.1], [0.82 * x, y - 0.2, seat_m + 0.2], 0.014, steel)
        s.rod([0.8 * x, y + 0.19, 0.3], [0.8 * x, y + 0.19, seat_m + 0.48], 0.014, steel)
        s.box([0.8 * x - 0.03, y - 0.62, 0.08], [0.8 * x + 0.03, y - 0.4, 0.1], black)


def _slings(cast: Casting) -> Iterator[PeopleCase]:
    for peak, colour in ((150.0, (42, 62, 120)), (90.0, (228, 226, 220))):
        side = cast.side()
        away = other_side(side)
        patient = patient_of(cast, peak, side=side, other=ArmPose(10.0, 35.0, -62.0, 96.0))
        cloth = sling_cloth(patient.person, patient.pose_at(0.0), away, colour)
        patient = replace(patient, change=sleeve(away, 0.75, colour), wears=(cloth,))
        yield alone(
            f"sling, {peak:.0f} degrees",
            "sling on the other arm",
            patient,
            cast.room(),
            cast.camera(),
            "abduction",
            side,
        )


def _stumps(cast: Casting) -> Iterator[PeopleCase]:
    for name, ends_at in (("below the elbow, measured arm", 1.25), ("above the elbow, measured arm", 0.6)):
        side = cast.side()
        patient = patient_of(cast, float(cast.rng.uniform(80, 150)), side=side)
        patient = replace(patient, change=stump(side, ends_at))
        yield alone(f"stump {name}", "amputated arm", patient, cast.room(), cast.camera(), "abduction", side)


def _hidden(cast: Casting) -> Iterator[PeopleCase]:
    for name, starts_at in (("forearm", 0.95),):
        side = cast.side()
        room = cast.room()
        patient = patient_of(cast, float(cast.rng.uniform(85, 150)), side=side)
        wall = room.face_colours[room.face_item < 0]
        values, counts = np.unique(wall[2:], axis=0, return_counts=True)
        colour = tuple(int(v) for v in values[counts.argmax()])
        patient = replace(patient, change=sleeve(side, starts_at, (colour[0], colour[1], colour[2])))
        yield alone(f"{name} in the wall's colour", "hidden forearm", patient, room, cast.camera(), "abduction", side)
    for name, low, high in (("screen before the arm, head to floor", 0.0, 2.2), ("screen up to the chest", 0.0, 1.15)):
        side = cast.side()
        patient = patient_of(cast, float(cast.rng.uniform(85, 140)), side=side)
        # the person's left is the picture's right: world x is the person's left
        edge = 0.26 if side == "left" else -0.26
        screen = Solids()
        screen.box([edge, -0.75, low], [edge + np.sign(edge) * 0.9, -0.72, high], (196, 204, 190), Material.FABRIC)
        room = in_room(cast.room(), screen)
        yield alone(name, "hidden forearm", patient, room, cast.camera(off_plane_deg=0.0), "abduction", side)


def _tables(cast: Casting) -> Iterator[PeopleCase]:
    for name, high_m, sits in (
        ("table to the hips", 0.92, False),
        ("sits at a table", 0.76, True),
    ):
        side = cast.side()
        patient = patient_of(cast, float(cast.rng.uniform(85, 150)), side=side)
        if sits:
            patient = replace(patient, pose=sitting)
        table = Solids()
        table.box([-0.9, -0.75, high_m - 0.04], [0.9, -0.33, high_m], (168, 122, 78), Material.WOOD)
        table.box([-0.88, -0.74, 0.0], [0.88, -0.71, high_m - 0.04], (150, 108, 70), Material.WOOD)
        if sits:
            place = patient.hips_m(0.0)
            _chair(table, float(place[1]), float(place[2]) - 0.09)
        room = in_room(cast.room(), table)
        yield alone(name, "behind a table", patient, room, cast.camera(), "abduction", side)


def _gowns(cast: Casting) -> Iterator[PeopleCase]:
    for peak, colour, wide in (
        (100.0, (150, 182, 200), 0.36),
        (165.0, (110, 140, 170), 0.5),
    ):
        side = cast.side()
        person = cast.person()
        person = replace(
            person,
            look=replace(
                person.look, sleeve="elbow", looseness_m=0.03, top_pattern="plain", top_colour=colour, bottom="shorts"
            ),
        )
        role = Role(person, raised_once("abduction", side, peak, seed=person.seed))
        cloth = gown_cloth(person, role.pose_at(0.0), colour, wide)
        role = replace(role, change=wide_sleeves(0.05), wears=(cloth,))
        yield alone(
            f"gown, hem {2 * wide:.2f} m wide",
            "very loose gown",
            role,
            cast.room(),
            cast.camera(),
            "abduction",
            side,
        )


def _backlit(cast: Casting) -> Iterator[PeopleCase]:
    for name, dim, veil, noise in (("bright window", 0.16, 0.03, 5.0), ("silhouette", 0.03, 0.05, 6.0)):
        side = cast.side()
        patient = patient_of(cast, float(cast.rng.uniform(85, 150)), side=side)
        window = Solids()
        window.box([-1.1, 0.95, 0.5], [1.1, 0.97, 2.35], (250, 252, 255), Material.GLOWING)
        for x in (-0.4, 0.4):
            window.box([x - 0.03, 0.9, 0.5], [x + 0.03, 0.95, 2.35], (120, 120, 118))
        room = in_room(cast.room(), window)
        # little light comes from the camera's side
        lamps = (Lamp(np.array([0.0, 0.7, 1.9]), np.array([5.0, 5.2, 5.6])),)
        room = replace(room, lamps=lamps)
        phone = Phone(noise=noise, grain_px=0.9)
        camera = cast.camera()
        case = alone(f"{name}", "back-lit", patient, room, camera, "abduction", side, phone=phone, dim=dim, veil=veil)
        yield case


def _turned_phones(cast: Casting) -> Iterator[PeopleCase]:
    for number, kinds in enumerate((("upside down", "told", "on its left"),)):
        side = cast.side()
        patient = patient_of(cast, float(cast.rng.uniform(85, 150)), side=side)
        first = alone(f"upright {number + 1}", "phone turned", patient, cast.room(), cast.camera(), "abduction", side)
        for turned in kinds:
            name = f"{turned if turned != 'told' else 'upside down, and the file says so'}, {number + 1}"
            yield replace(first, name=name, turned=turned, drawn_as=first.name)  # type: ignore[arg-type]


_SITUATIONS: tuple[Callable[[Casting], Iterator[PeopleCase]], ...] = (
    *NOBODY,
    _children,
    _seated,
    _slings,
    _stumps,
    _hidden,
    _tables,
    _gowns,
    _backlit,
    _turned_phones,
)
