"""Garments cover what their names say, seen on posed figures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from vision_rom.synthetic.appearance import Bottom, Look, Sleeve, lay_on, skin_colour
from vision_rom.synthetic.hair import CURTAIN_ENDS_M
from vision_rom.synthetic.people import Person, make_person
from vision_rom.synthetic.pose3d import ArmPose, PoseParameters

RED, BLUE, GREEN = (250, 0, 0), (0, 0, 250), (0, 250, 0)
PLAIN = Look(
    skin_tone=0.3,
    hair="bald",
    hair_colour=(20, 20, 20),
    beard=False,
    sleeve="short",
    looseness_m=0.01,
    top_pattern="plain",
    top_colour=RED,
    top_second_colour=GREEN,
    bottom="trousers",
    bottom_colour=BLUE,
    bottom_looseness_m=0.0,
    shoe_colour=None,
)


def dressed(**changes: object) -> Person:
    return replace(make_person(1), look=replace(PLAIN, **changes))  # type: ignore[arg-type]


def share_with_colour_near(person: Person, joint: str, colour: tuple[int, int, int], within_m: float = 0.09) -> float:
    pose = PoseParameters(left=ArmPose(60, 0), right=ArmPose(60, 0))
    figure = person.figure(pose)
    centres = figure.vertices_m[figure.faces].mean(1)
    near = np.linalg.norm(centres - person.joints(pose)[joint], axis=1) < within_m
    return float((figure.face_colours[near] == colour).all(1).mean())


@pytest.mark.parametrize(
    ("sleeve", "shoulder", "elbow", "forearm_end"),
    [
        ("none", False, False, False),
        ("short", True, False, False),
        ("elbow", True, None, False),
        ("long", True, True, None),
    ],
)
def test_sleeves_cover_what_they_say(
    sleeve: Sleeve, shoulder: bool, elbow: bool | None, forearm_end: bool | None
) -> None:
    person = dressed(sleeve=sleeve)
    for joint, covered in (("left_shoulder", shoulder), ("right_elbow", elbow), ("left_wrist", forearm_end)):
        share = share_with_colour_near(person, joint, RED)
        if covered is True:
            assert share > 0.95, joint
        elif covered is False and joint != "left_shoulder":
            assert share == 0, joint
        elif covered is False:
            assert share < 0.5, joint
    assert share_with_colour_near(person, "left_knuckle", RED, 0.03) == 0


@pytest.mark.parametrize(("bottom", "shin"), [("shorts", 0.0), ("trousers", 1.0)])
def test_trouser_legs_end_where_they_say(bottom: Bottom, shin: float) -> None:
    person = dressed(bottom=bottom)
    assert share_with_colour_near(person, "right_knee", BLUE, 0.1) == pytest.approx(shin, abs=0.35)
    at_hip = [share_with_colour_near(person, "left_hip", colour, 0.12) for colour in (BLUE, RED)]
    assert at_hip[0] > 0.6
    assert sum(at_hip) == pytest.approx(1)  # no bare skin between top and trousers


def test_looks_differ_only_where_they_should() -> None:
    bare, bearded = lay_on(PLAIN), lay_on(replace(PLAIN, beard=True))
    skin = skin_colour(PLAIN.skin_tone).astype(np.uint8)
    assert (bare.colours == skin).all(1).sum() > 5000
    darker = (bearded.colours.sum(1) < skin.sum()).sum() - (bare.colours.sum(1) < skin.sum()).sum()
    assert darker > 200


@pytest.mark.parametrize("style", list(CURTAIN_ENDS_M))
def test_hanging_hair_moves_with_the_head(style: str) -> None:
    person = dressed(hair=style, hair_colour=(3, 4, 5))
    upright, leaning = PoseParameters(), PoseParameters(lean_left_deg=20, yaw_deg=50)
    distance = []
    for pose in (upright, leaning):
        figure = person.figure(pose)
        hair = figure.vertices_m[figure.faces[(figure.face_colours == (3, 4, 5)).all(1)][-400:]].reshape(-1, 3)
        distance.append(np.linalg.norm(hair - person.joints(pose)["head"], axis=1))
    assert distance[0] == pytest.approx(distance[1], abs=1e-5)


def test_loose_cloth_stands_off_and_hems_stay_on_the_skin() -> None:
    tight, loose = lay_on(replace(PLAIN, looseness_m=0.0)), lay_on(replace(PLAIN, looseness_m=0.02))
    grown = loose.stand_off_m - tight.stand_off_m
    assert grown.max() == pytest.approx(0.02)
    assert grown.min() == 0
