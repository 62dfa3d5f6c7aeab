"""People who are none: statues, pictures on the wall, reflections, and people who take each other's place."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from vision_rom.proof.hostile.bodies import as_is, statue
from vision_rom.proof.hostile.casting import (
    BRONZE,
    HANGING,
    MARBLE,
    Casting,
    PeopleCase,
    patient_of,
    raised_once,
    side_of,
    standing_still,
)
from vision_rom.proof.hostile.stages import Role, Sheet, Stage, in_room
from vision_rom.synthetic.camera import Camera
from vision_rom.synthetic.pose3d import ArmPose
from vision_rom.synthetic.scene import Room
from vision_rom.synthetic.script import Act, Stand, Walk
from vision_rom.synthetic.solids import Solids


def _statues(cast: Casting) -> Iterator[PeopleCase]:
    raised = ArmPose(115.0, 0.0, 60.0, 15.0)
    kinds = (("bronze with raised arms", raised, BRONZE), ("dressed dummy", HANGING, None))
    for name, rest, stuff in kinds:
        person = cast.person()
        role = Role(person, standing_still(person.seed, rest=rest), statue(stuff) if stuff else as_is, still=True)
        stage = Stage(cast.room(), cast.camera(), (role,), 3.0, seed=person.seed)
        yield PeopleCase(f"statue, {name}", "statue alone", stage, (), "abduction", "right")
    for name, at, rest in (
        ("nearer and central", (0.15, -0.5), HANGING),
        ("beside, arms raised", (0.85, 0.0), raised),
    ):
        side = cast.side()
        patient = patient_of(cast, float(cast.rng.uniform(85, 150)), side=side, x=-0.55)
        person = cast.person()
        script = standing_still(person.seed, x=at[0], y=at[1], rest=rest)
        figure = Role(person, script, statue(MARBLE), still=True)
        camera = cast.camera(distance_m=3.4, width_px=512, height_px=384, vertical_fov_deg=48.0)
        stage = Stage(cast.room(), camera, (patient, figure), patient.script.duration_s, seed=person.seed)
        yield PeopleCase(
            f"statue {name}", "statue beside the patient", stage, (patient,), "abduction", side_of(patient)
        )


def _wall_pictures(cast: Casting) -> Iterator[PeopleCase]:
    raised = ArmPose(120.0, 0.0, 60.0, 10.0)
    for name, sheet, x in (
        ("life size", Sheet(0.35, 1.45, 0.1, 2.1, 1.1), -0.35),
        ("giant, patient off centre", Sheet(-0.75, 1.0, 0.0, 2.9, 1.1), -0.6),
    ):
        patient = patient_of(cast, float(cast.rng.uniform(80, 150)), side=cast.side(), x=x)
        person = cast.person()
        shown = Role(person, standing_still(person.seed, rest=raised), still=True)
        yield _hung(cast, f"poster, {name}", "picture of people on the wall", patient, sheet, (shown,))
    patient = patient_of(cast, float(cast.rng.uniform(80, 150)), side="right", x=-0.5)
    shown = patient_of(cast, 165.0, side="left")
    sheet = Sheet(0.0, 1.3, 0.25, 2.0, 1.1)
    yield _hung(cast, "screen with an exercise film", "picture of people on the wall", patient, sheet, (shown,))
    person = cast.person()
    shown = Role(person, standing_still(person.seed, rest=raised), still=True)
    room, sheet = cast.room(), Sheet(-0.6, 0.6, 0.1, 2.2, 0.6)
    stage = Stage(_framed(room, sheet), cast.camera(), (), 3.0, sheet=sheet, shown=(shown,), seed=person.seed)
    yield PeopleCase("poster, nobody before it", "picture of people on the wall", stage, (), "abduction", "right")


def _hung(
    cast: Casting,
    name: str,
    situation: str,
    patient: Role,
    sheet: Sheet,
    shown: tuple[Role, ...],
    camera: Camera | None = None,
) -> PeopleCase:
    camera = camera or cast.camera(distance_m=3.2, width_px=512, height_px=384, vertical_fov_deg=48.0)
    stage = Stage(
        _framed(cast.room(), sheet),
        camera,
        (patient,),
        patient.script.duration_s,
        sheet=sheet,
        shown=shown,
        seed=patient.person.seed,
    )
    return PeopleCase(name, situation, stage, (patient,), "abduction", side_of(patient))


def _framed(room: Room, sheet: Sheet) -> Room:
    frame = Solids()
    frame.box(
        [sheet.left_m - 0.04, sheet.y_m + 0.01, sheet.low_m - 0.04],
        [sheet.right_m + 0.04, sheet.y_m + 0.04, sheet.high_m + 0.04],
        (70, 52, 40),
    )
    return in_room(room, frame)


def _mirrors(cast: Casting) -> Iterator[PeopleCase]:
    for name, sheet, off_deg, pan_deg in (
        ("standing behind", Sheet(-0.35, 0.95, 0.03, 2.05, 1.1), 28.0, 2.0),
        ("wide, behind", Sheet(-1.4, 1.2, 0.25, 2.1, 1.2), -26.0, -3.0),
        ("central, patient off centre", Sheet(-0.5, 1.2, 0.02, 2.1, 0.95), 32.0, 11.0),
    ):
        # seen at a slant, for the patient hides the own reflection in a mirror that is looked at squarely
        patient = patient_of(cast, float(cast.rng.uniform(80, 150)), side=cast.side())
        camera = cast.camera(off_plane_deg=off_deg, pan_deg=pan_deg, distance_m=2.9)
        camera = replace(camera, width_px=512, height_px=384, vertical_fov_deg=48.0)
        yield _hung(cast, f"mirror {name}", "mirror in the room", patient, sheet, (), camera)
    patient = patient_of(cast, float(cast.rng.uniform(80, 150)), side="right", y=-0.2)
    sheet = Sheet(-0.5, 0.5, 0.0, 2.1, 0.9)
    room = _framed(cast.room(), sheet)
    turned = replace(patient, script=replace(patient.script, yaw_deg=180.0))
    camera = cast.camera(distance_m=1.2, height_m=1.1)
    stage = Stage(room, camera, (turned,), patient.script.duration_s, sheet=sheet, only_mirror=True)
    yield PeopleCase("filmed in the mirror", "filmed in the mirror", stage, (turned,), "abduction", "right")


def _changes_of_person(cast: Casting) -> Iterator[PeopleCase]:
    for name, out_x, in_x, peaks in (
        ("out left, in from the right", -1.9, 1.9, (95.0, 150.0)),
        ("alike, out and in on the same side", -1.9, -1.9, (140.0, 85.0)),
    ):
        side = cast.side()
        first, second = cast.person(), cast.person()
        if name.startswith("alike"):
            second = replace(second, traits=first.traits, stature_m=first.stature_m, sex=first.sex)
        leaves = (Walk((out_x, 0.0), 1.0), Stand(5.5))
        enters: tuple[Act, ...] = (Stand(4.4), Walk((-in_x, 0.0), 1.0))
        roles = (
            Role(first, raised_once("abduction", side, peaks[0], seed=first.seed, after=leaves)),
            Role(second, raised_once("abduction", side, peaks[1], seed=second.seed, x=in_x, before=enters)),
        )
        stage = Stage(cast.room(), cast.camera(), roles, roles[1].script.duration_s, seed=first.seed)
        yield PeopleCase(name, "one leaves, another enters", stage, roles, "abduction", side)


NOBODY = (_statues, _wall_pictures, _mirrors, _changes_of_person)
