"""People as the body model does not make them: children, stumps, slings, gowns, statues, people who sit.

Each is a change to the posed figure of an ordinary rendered person, so that the direction of every upper arm stays what
the skeleton says. A change is called for each picture and must give the same colours each time, for the renderer keeps
its paintwork by them.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from vision_rom.handover import Floats, Side
from vision_rom.synthetic.appearance import Colour, _template
from vision_rom.synthetic.body import rig
from vision_rom.synthetic.figure import Figure
from vision_rom.synthetic.people import Person, _clothed
from vision_rom.synthetic.pose3d import THORAX, LegPose, PoseParameters
from vision_rom.synthetic.solids import Material, Solids

CLOTH = 0.95

Change = Callable[[Person, PoseParameters, Figure], Figure]
"""Of the posed figure of a person"""


def as_is(person: Person, pose: PoseParameters, figure: Figure) -> Figure:
    """Return the figure unchanged."""
    return figure


def child(scale: float, head: float = 1.3) -> Change:
    """Return a change to ``scale`` of an adult's size, with a head ``head`` times as large as that would give."""

    @cache
    def of_head(person: Person) -> Floats:
        index = rig().index
        bones = [index["head"]]
        for bone, parent in enumerate(rig().parents):
            if parent in bones:
                bones.append(bone)
        return _of_vertices(person, np.asarray(rig().weights[:, bones].sum(axis=1), np.float64).ravel(), elsewhere=1.0)

    def change(person: Person, pose: PoseParameters, figure: Figure) -> Figure:
        neck = person.posture(pose).heads_m[rig().index["neck03"]]
        larger = 1.0 + (head - 1.0) * of_head(person)[:, None]
        points = neck + larger * (figure.vertices_m - neck)
        return replace(figure, vertices_m=scaled(points, pose, scale).astype(np.float32))

    return change


def scaled(points_m: NDArray[np.floating], pose: PoseParameters, scale: float) -> Floats:
    """Return points (..., 3) of a person made smaller about the spot where they stand."""
    spot = np.array([*pose.position_m, 0.0])
    return np.asarray(spot + scale * (points_m - spot), np.float64)


def stump(side: Side, ends_at: float) -> Change:
    """Return a change that takes an arm off at a place along it: 0 shoulder, 1 elbow, 2 wrist."""

    def change(person: Person, pose: PoseParameters, figure: Figure) -> Figure:
        gone = _along_arm(person, side) > ends_at
        end = _place_on_arm(person, pose, side, ends_at)
        points = figure.vertices_m.copy()
        points[gone] = (end + 0.05 * (points[gone] - end)).astype(np.float32)
        return replace(figure, vertices_m=points)

    return change


def sleeve(side: Side, starts_at: float, colour: Colour, thickness_m: float = 0.01) -> Change:
    """Return a change that covers an arm from a place along it on with cloth of a colour, hand and all."""

    @cache
    def painted(person: Person) -> tuple[NDArray[np.uint8], NDArray[np.float32]]:
        clothed = _clothed(person)
        under = _along_arm(person, side)[clothed.faces].min(axis=1) > starts_at
        colours, roughness = clothed.colours.copy(), clothed.roughness.copy()
        colours[under], roughness[under] = colour, CLOTH
        return colours, roughness

    def change(person: Person, pose: PoseParameters, figure: Figure) -> Figure:
        colours, roughness = painted(person)
        along = _along_arm(person, side)
        thick = np.where((along > starts_at) & (along < 2.0), thickness_m, 0.0)
        points = figure.vertices_m + thick[:, None] * _outward(person, pose, figure, side)
        return Figure(points.astype(np.float32), figure.faces, colours, roughness)

    return change


def statue(colour: Colour) -> Change:
    """Return a change that makes a person of one stuff from head to foot."""

    @cache
    def painted(person: Person) -> NDArray[np.uint8]:
        shade = _clothed(person).colours.astype(np.float64).mean(axis=1, keepdims=True) / 255.0
        return np.asarray(np.clip(np.array(colour) * (0.85 + 0.15 * shade), 0, 255), np.uint8)

    def change(person: Person, pose: PoseParameters, figure: Figure) -> Figure:
        return replace(figure, face_colours=painted(person))

    return change


def wide_sleeves(wider_m: float) -> Change:
    """Return a change that lets both sleeves widen from the shoulder to the elbow, as a gown's do."""

    def change(person: Person, pose: PoseParameters, figure: Figure) -> Figure:
        points = np.asarray(figure.vertices_m, np.float64)
        sides: tuple[Side, Side] = ("left", "right")
        for side in sides:
            along = _along_arm(person, side)
            wide = wider_m * np.clip(along, 0.0, 1.0) * (along < 0.92)
            outward = _outward(person, pose, figure, side)
            # cloth hangs: the lower half of a level sleeve is the wider one
            hanging = 1.0 - 0.8 * np.clip(outward[:, 2], -1.0, 1.0)
            points = points + (wide * hanging)[:, None] * outward
        return replace(figure, vertices_m=np.asarray(points, np.float32))

    return change


@dataclass(frozen=True, slots=True)
class Worn:
    """A stiff thing that moves with one bone."""

    bone: str
    points: Floats
    """(n, 3) m in the bone's axes"""
    faces: NDArray[np.int32]
    colours: NDArray[np.uint8]
    roughness: NDArray[np.float32]

    def figure(self, person: Person, pose: PoseParameters) -> Figure:
        """Return it where the person wears it."""
        stance, at = person.posture(pose), rig().index[self.bone]
        points = self.points @ stance.rotations[at].T + stance.heads_m[at]
        return Figure(points.astype(np.float32), self.faces, self.colours, self.roughness)


def worn(solids: Solids, bone: str, person: Person, pose: PoseParameters) -> Worn:
    """Return solids in the world's axes as something that is worn from this posture on."""
    stance, at = person.posture(pose), rig().index[bone]
    points = (np.concatenate(solids.vertices) - stance.heads_m[at]) @ stance.rotations[at]
    faces = np.concatenate(solids.faces).astype(np.int32)
    return Worn(bone, points, faces, np.concatenate(solids.colours), np.full(len(faces), CLOTH, np.float32))


def sling_cloth(person: Person, pose: PoseParameters, side: Side, colour: Colour) -> Worn:
    """Return a sling: a bag of cloth round the forearm, and its straps round the neck."""
    from scipy.spatial import ConvexHull

    solids = Solids()
    figure = person.figure(pose)
    along = _along_arm(person, side)
    inside = figure.vertices_m[(along > 0.8) & (along < 2.35)].astype(np.float64)
    middle = inside.mean(axis=0)
    out = inside - middle
    inside = inside + 0.018 * out / np.linalg.norm(out, axis=1, keepdims=True)
    hull = ConvexHull(inside)
    a, b, c = (inside[hull.simplices[:, i]] for i in range(3))
    turned = np.einsum("ij,ij->i", np.cross(b - a, c - a), hull.equations[:, :3]) < 0
    faces = np.where(turned[:, None], hull.simplices[:, ::-1], hull.simplices)

    solids.add(inside, faces, colour, Material.PLAIN)
    heads, index = person.posture(pose).heads_m, rig().index
    ahead = np.array([0.0, -0.13, 0.0])
    suffix, other = (".L", ".R") if side == "left" else (".R", ".L")
    wrist, elbow = heads[index["wrist" + suffix]], heads[index["lowerarm01" + suffix]]
    neck = heads[index["neck01"]]
    far, near = (heads[index["shoulder01" + one]] for one in (other, suffix))
    over_far = 0.5 * (neck + far) + [0.0, 0.0, 0.07]
    over_near = 0.5 * (neck + near) + [0.0, 0.0, 0.07]
    chain = [wrist + 0.3 * ahead, 0.5 * (wrist + over_far) + ahead, over_far + 0.5 * ahead, neck + [0, 0.09, 0.04]]
    chain += [over_near + 0.5 * ahead, 0.5 * (elbow + over_near) + ahead, elbow + 0.3 * ahead]
    for start, end in itertools.pairwise(chain):
        solids.rod(start, end, 0.018, colour)
    return worn(solids, THORAX, person, pose)


def gown_cloth(person: Person, pose: PoseParameters, colour: Colour, wide_m: float) -> Worn:
    """Return a gown's body: a tent from the chest to the shins, ``wide_m`` from the middle to its hem at the side."""
    heads, index = person.posture(pose).heads_m, rig().index
    top = heads[index["upperarm01.L"]][2] - 0.1
    hips, knee = heads[index["upperleg01.L"]][2], heads[index["lowerleg01.L"]][2]
    middle = heads[index["spine03"]]
    z = np.array([knee - 0.2, hips - 0.2, hips + 0.15, top - 0.08, top])
    across = np.array([wide_m, 0.92 * wide_m, 0.85 * wide_m, 0.2 + 0.2 * wide_m, 0.17 + 0.1 * wide_m])
    solids = Solids()
    round_ = Solids()
    round_.spun([0, 0, 0], np.stack([across, z], axis=1), colour, sides=36)
    points = np.concatenate(round_.vertices) * [1.0, 0.78, 1.0]
    turn = np.arctan2(points[:, 1], points[:, 0])
    fold = 1.0 + 0.05 * np.sin(9 * turn) * (points[:, 2] < hips + 0.2)
    points[:, :2] *= fold[:, None]

    solids.add(points + [middle[0], middle[1], 0.0], np.concatenate(round_.faces), colour, Material.PLAIN)
    return worn(solids, "root", person, pose)


def sitting(pose: PoseParameters) -> PoseParameters:
    """Return the posture on a seat."""
    return replace(
        pose, left_leg=LegPose(86.0, 6.0, 88.0), right_leg=LegPose(86.0, 6.0, 88.0), position_m=pose.position_m
    )


def _of_vertices(person: Person, field: Floats, *, elsewhere: float) -> Floats:
    """Return a number (V,) of the shared mesh for each vertex of the painted one; ``elsewhere`` on loose hair."""
    clothed = _clothed(person)
    value = np.asarray(clothed.painting.mesh.mix @ field, np.float64)
    more = 0 if clothed.loose_hair is None else len(clothed.loose_hair.vertices_m)
    return np.concatenate([value, np.full(more, elsewhere)])


@cache
def _along_arm(person: Person, side: Side) -> Floats:
    """Return where each vertex lies along one arm: 0 shoulder, 1 elbow, 2 wrist; -1 elsewhere."""
    template = _template()
    here = template.position[:, 0] * (1.0 if side == "left" else -1.0) > 0
    return _of_vertices(person, np.where(here, template.arm, -1.0), elsewhere=-1.0)


def _arm_joints(person: Person, pose: PoseParameters, side: Side) -> tuple[Floats, Floats, Floats]:
    joints = person.joints(pose)
    return joints[f"{side}_shoulder"], joints[f"{side}_elbow"], joints[f"{side}_wrist"]


def _place_on_arm(person: Person, pose: PoseParameters, side: Side, along: float) -> Floats:
    shoulder, elbow, wrist = _arm_joints(person, pose, side)
    return shoulder + along * (elbow - shoulder) if along <= 1 else elbow + (along - 1) * (wrist - elbow)


def _outward(person: Person, pose: PoseParameters, figure: Figure, side: Side) -> Floats:
    """Return unit vectors (V, 3) away from the arm's axis."""
    shoulder, elbow, wrist = _arm_joints(person, pose, side)
    along = np.clip(_along_arm(person, side), 0.0, 2.0)[:, None]
    axis = np.where(
        along <= 1, shoulder + along * (elbow - shoulder), elbow + np.maximum(along - 1, 0) * (wrist - elbow)
    )
    away = figure.vertices_m - axis
    return np.asarray(away / np.maximum(np.linalg.norm(away, axis=1, keepdims=True), 1e-6), np.float64)
