"""Skin, hair and garments: which triangle has which colour, and how far cloth and hair stand off the skin.

All bodies share their triangles, so every region is found once, on the average body, and holds for all. A region is
where a field over the body's vertices is positive; the mesh is cut along the field's zero line. The distances below were
read off that body by eye; they carry no clinical meaning.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from vision_rom.synthetic.body import Floats, Traits, posed_heads, rig, shape_body, skin
from vision_rom.synthetic.tailor import CutMesh, at_faces, cut, uncut

Colour = tuple[int, int, int]
Bools = NDArray[np.bool_]
Sleeve = Literal["none", "short", "elbow", "long"]
Bottom = Literal["shorts", "trousers"]
Hair = Literal["bald", "cropped", "short", "full", "bob", "long", "bun"]
Pattern = Literal["plain", "stripes", "yoke", "print"]

SLEEVE_ENDS: dict[Sleeve, float] = {"none": 0.0, "short": 0.55, "elbow": 0.92, "long": 1.93}
"""Where a sleeve ends along the arm: 0 shoulder, 1 elbow, 2 wrist."""
BOTTOM_ENDS: dict[Bottom, float] = {"shorts": 0.86, "trousers": 1.92}
"""Where a trouser leg ends: 0 hip, 1 knee, 2 ankle."""
HAIR_THICKNESS_M: dict[Hair, float] = {
    "bald": 0.0,
    "cropped": 0.004,
    "short": 0.012,
    "full": 0.024,
    "bob": 0.016,
    "long": 0.014,
    "bun": 0.008,
}
SKIN_ROUGHNESS, CLOTH_ROUGHNESS, HAIR_ROUGHNESS = 0.55, 0.95, 0.7

SKIN_TONES: tuple[tuple[float, Colour], ...] = (
    (0.0, (244, 214, 196)),
    (0.25, (226, 180, 150)),
    (0.5, (190, 138, 104)),
    (0.75, (132, 86, 60)),
    (1.0, (72, 46, 36)),
)
"""Light to dark; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Look:
    """Everything about a person that is paint or cloth."""

    skin_tone: float
    """0 light to 1 dark"""
    hair: Hair
    hair_colour: Colour
    beard: bool
    sleeve: Sleeve
    looseness_m: float
    """How far the top stands off the skin"""
    top_pattern: Pattern
    top_colour: Colour
    top_second_colour: Colour
    bottom: Bottom
    bottom_colour: Colour
    bottom_looseness_m: float
    shoe_colour: Colour | None
    """None: barefoot"""


@dataclass(frozen=True, slots=True)
class _Template:
    """The average body in the neutral stance. Parts are (F,) masks, fields (V,) numbers, positive inside."""

    position: Floats
    """(V, 3) m, the floor at 0"""
    on_arm: Bools
    on_leg: Bools
    on_trunk: Bools
    on_head: Bools
    on_foot: Bools
    on_eye: Bools
    inner: Bools
    arm: Floats
    """0 shoulder, 1 elbow, 2 wrist"""
    leg: Floats
    """0 hip, 1 knee, 2 ankle"""
    armhole: Floats
    """Bare with a sleeveless top"""
    neck_opening: Floats
    above_waist: Floats
    scalp: Floats
    jaw: Floats
    lips: Floats
    brows: Floats
    iris: Floats


@dataclass(frozen=True, slots=True)
class Painting:
    """A look laid over the shared mesh."""

    mesh: CutMesh
    colours: NDArray[np.uint8]
    """(G, 3)"""
    roughness: NDArray[np.float32]
    """(G,)"""
    stand_off_m: Floats
    """(V,) of each original vertex, along its normal"""


def skin_colour(tone: float) -> Floats:
    """Red, green, blue (3,) of a skin tone from 0 light to 1 dark."""
    at = [t for t, _ in SKIN_TONES]
    return np.array([np.interp(tone, at, [colour[i] for _, colour in SKIN_TONES]) for i in range(3)])


@lru_cache(maxsize=1)
def _template() -> _Template:
    shared = rig()
    shape = shape_body(Traits())
    neutral = np.broadcast_to(np.eye(3), (len(shared.parents), 3, 3))
    heads = posed_heads(shape, neutral)
    position = np.asarray(skin(shape, neutral, heads), np.float64)
    floor = np.array([0, 0, position[:, 2].min()])
    position, heads = position - floor, heads - floor
    weights = np.asarray(shared.weights.toarray(), np.float64)
    region = {name: shared.face_region == i for i, name in enumerate(shared.region_names)}

    def weight(*bones: str) -> Floats:
        return np.asarray(weights[:, [shared.index[bone] for bone in bones]].sum(1), np.float64)

    def both(*bones: str) -> Floats:
        return weight(*(bone + side for bone in bones for side in (".L", ".R")))

    def faces(vertices: Floats) -> Floats:
        return np.asarray(vertices[shared.faces].mean(1), np.float64)

    def limb(near: str, far: str, first: Floats, second: Floats, middle: str) -> Floats:
        along = np.full(len(position), -1.0)
        for side, sign in ((".L", 1), (".R", -1)):
            here = sign * position[:, 0] > 0
            for start, end, base, mine, other in (
                (near, middle, 0.0, first, second),
                (middle, far, 1.0, second, first),
            ):
                axis = heads[shared.index[end + side]] - heads[shared.index[start + side]]
                value = base + (position - heads[shared.index[start + side]]) @ axis / (axis @ axis)
                chosen = here & (mine >= other) & (mine > 0.05)
                along[chosen] = value[chosen]
        return along

    hand_bones = ["wrist"] + [
        b[:-2] for b in shared.bone_names if b.startswith(("finger", "metacarpal")) and b[-1] == "L"
    ]
    upper, lower = both("upperarm01", "upperarm02"), both("lowerarm01", "lowerarm02", *hand_bones)
    thigh, shin = both("upperleg01", "upperleg02"), both("lowerleg01", "lowerleg02", "foot")
    on_foot = region["foot.L"] | region["foot.R"]
    on_head = region["head"]
    on_eye = region["eye_front.L"] | region["eye_front.R"] | region["eye_back.L"] | region["eye_back.R"]
    inner = region["mouth_cavity"] | region["tongue"] | region["eye_cavity.L"] | region["eye_cavity.R"]
    hand = region["hand.L"] | region["hand.R"]
    on_arm = (faces(upper + lower) > 0.5) | hand
    on_leg = (faces(thigh + shin) > 0.5) & ~on_foot
    x, y, z = position.T
    aside = np.abs(x)
    rise = z - heads[shared.index["eye.L"], 2]
    from_pupil = aside - heads[shared.index["eye.L"], 0]
    hairline = np.interp(y, [-0.14, -0.1, -0.05, -0.02, 0.015, 0.03], [0.075, 0.07, 0.03, 0.01, -0.05, -0.075])
    ear = np.minimum.reduce([aside - 0.072, y + 0.05, 0.02 - y, 0.022 - rise])
    lips = np.minimum.reduce([0.023 - aside, 0.0068 - np.abs(rise + 0.0665 + 3 * x**2) - 5 * x**2, -0.1 - y])
    brows = np.minimum.reduce(
        [0.021 - np.abs(from_pupil), 0.0042 - np.abs(rise - 0.0225 + 4 * from_pupil**2), -0.06 - y]
    )
    neck_z = heads[shared.index["neck01"], 2]
    return _Template(
        position=position,
        on_arm=on_arm,
        on_leg=on_leg,
        on_trunk=~(on_arm | on_leg | on_foot | on_head | on_eye | inner),
        on_head=on_head,
        on_foot=on_foot,
        on_eye=on_eye,
        inner=inner,
        arm=limb("upperarm01", "wrist", upper, lower, "lowerarm01"),
        leg=limb("upperleg01", "foot", thigh, shin, "lowerleg01"),
        armhole=both("upperarm01", "upperarm02", "lowerarm01", "shoulder01") - 0.3,
        neck_opening=0.083 - np.hypot(x / 1.15, y + 0.005) - 0.6 * np.abs(z - neck_z),
        above_waist=z - heads[shared.index["upperleg01.L"], 2] - 0.075,
        scalp=np.minimum(rise - hairline, -ear),
        jaw=np.minimum.reduce([12 * (aside - 0.012) ** 2 - 0.05 - rise, rise + 0.125, -0.035 - y, -lips]),
        lips=lips,
        brows=brows,
        iris=0.0062 - np.hypot(from_pupil, rise),
    )


def _cut_to_measure(look: Look) -> CutMesh:
    """Cut the shared mesh wherever this look changes colour."""
    t = _template()
    mesh = uncut(rig().faces.astype(np.int64), len(t.position))
    edges: list[tuple[Floats, float, Bools]] = [
        (t.lips, 0.0, t.on_head),
        (t.brows, 0.0, t.on_head),
        (t.iris, 0.0, t.on_eye),
        (t.above_waist, 0.0, t.on_trunk | t.on_leg),
        (t.leg, BOTTOM_ENDS[look.bottom], t.on_leg),
        (t.neck_opening, 0.0, t.on_trunk),
    ]
    if look.sleeve == "none":
        edges.append((t.armhole, 0.0, t.on_trunk | t.on_arm))
    else:
        edges.append((t.arm, SLEEVE_ENDS[look.sleeve], t.on_arm))
    if look.hair != "bald":
        edges.append((t.scalp, 0.0, t.on_head))
    if look.beard:
        edges.append((t.jaw, 0.0, t.on_head))
    edges += [(field, level, t.on_trunk | t.on_arm) for field, level in _pattern_edges(look)]
    for field, level, where in edges:
        mesh = cut(mesh, field, level, where)
    return mesh


def _pattern_edges(look: Look) -> list[tuple[Floats, float]]:
    """Level lines of the top's pattern; the pattern's size follows from its colours, so that equal looks are equal."""
    x, y, z = _template().position.T
    size = sum(look.top_second_colour) / 765
    if look.top_pattern == "stripes":
        width = 0.04 + 0.05 * size
        return [(z, width * step) for step in range(int(0.8 / width), int(1.6 / width) + 1)]
    if look.top_pattern == "yoke":
        return [(z, 1.22 + 0.15 * size)]
    if look.top_pattern == "print":
        return [(np.where(y < 0, np.hypot(x, z - 1.3), 1.0), 0.05 + 0.05 * size)]
    return []


def _second_colour(look: Look, mesh: CutMesh) -> Bools:
    """Which pieces (G,) of a top have its second colour."""
    crossed = np.zeros(len(mesh.faces), np.int64)
    for field, level in _pattern_edges(look):
        crossed += at_faces(mesh, field) >= level
    if look.top_pattern == "print":
        return np.asarray(crossed == 0, np.bool_)
    return np.asarray(crossed % 2 == 1, np.bool_)


def lay_on(look: Look) -> Painting:
    """Cut, colour and thicken the shared mesh for a look."""
    t = _template()
    mesh = _cut_to_measure(look)
    base = skin_colour(look.skin_tone)
    hair = np.array(look.hair_colour, np.float64)

    def inside(field: Floats) -> Bools:
        return np.asarray(at_faces(mesh, field) >= 0, np.bool_)

    def part(faces: Bools) -> Bools:
        return faces[mesh.origin]

    colours = np.tile(base, (len(mesh.faces), 1))
    roughness = np.full(len(mesh.faces), SKIN_ROUGHNESS)
    head = part(t.on_head)
    colours[head & inside(t.lips)] = base * [0.9, 0.72, 0.72]
    colours[head & inside(t.brows)] = 0.4 * base + 0.6 * hair
    if look.beard:
        colours[head & inside(t.jaw)] = 0.4 * base + 0.6 * hair
    scalp = head & inside(t.scalp) if look.hair != "bald" else np.zeros(len(head), bool)
    colours[scalp] = hair
    roughness[scalp] = HAIR_ROUGHNESS
    colours[part(t.on_eye)] = (235, 232, 226)
    colours[part(t.on_eye) & inside(t.iris)] = (58, 40, 30)
    colours[part(t.inner)] = base * [0.45, 0.25, 0.25]
    below = (part(t.on_trunk) & ~inside(t.above_waist)) | (
        part(t.on_leg) & (at_faces(mesh, t.leg) < BOTTOM_ENDS[look.bottom])
    )
    above = part(t.on_trunk) & inside(t.above_waist) & ~inside(t.neck_opening)
    if look.sleeve == "none":
        above &= ~inside(t.armhole)
    else:
        above |= part(t.on_arm) & (at_faces(mesh, t.arm) < SLEEVE_ENDS[look.sleeve])
    colours[below] = look.bottom_colour
    colours[above] = look.top_colour
    colours[above & _second_colour(look, mesh)] = look.top_second_colour
    roughness[below | above] = CLOTH_ROUGHNESS
    foot = part(t.on_foot)
    if look.shoe_colour is not None:
        colours[foot] = look.shoe_colour
        roughness[foot] = CLOTH_ROUGHNESS
    off = np.zeros(len(mesh.faces))
    off[below], off[above] = 0.003 + look.bottom_looseness_m, 0.004 + look.looseness_m
    off[scalp] = HAIR_THICKNESS_M[look.hair]
    if look.shoe_colour is not None:
        off[foot] = 0.006
    return Painting(
        mesh=mesh,
        colours=colours.clip(0, 255).astype(np.uint8),
        roughness=roughness.astype(np.float32),
        stand_off_m=_least_at_vertices(mesh, off),
    )


def _least_at_vertices(mesh: CutMesh, at_pieces: Floats) -> Floats:
    """Smallest value (V,) among the pieces around each original vertex, so that an edge stays on the skin."""
    least = np.full(mesh.mix.shape[0], np.inf)
    for corner in range(3):
        np.minimum.at(least, mesh.faces[:, corner], at_pieces)
    original = least[: mesh.mix.shape[1]]
    return np.where(np.isfinite(original), original, 0.0)


def vertex_normals(vertices: Floats) -> Floats:
    """Outward unit normals (V, 3) of the shared mesh, weighted by area."""
    faces = rig().faces
    a, b, c = (vertices[faces[:, i]] for i in range(3))
    normal = np.cross(b - a, c - a)
    total = np.zeros_like(vertices)
    for corner in range(3):
        for axis in range(3):
            total[:, axis] += np.bincount(faces[:, corner], normal[:, axis], len(vertices))
    return np.asarray(total / np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-12), np.float64)
