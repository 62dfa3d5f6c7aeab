"""Skin, hair and garments: which triangle has which colour, and how far cloth and hair stand off the skin.

All bodies share their triangles, so every region is found once, on the average body, and holds for all. The distances
below were read off that body by eye; they carry no clinical meaning.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from vision_rom.synthetic.body import Floats, Traits, posed_heads, rig, shape_body, skin

Colour = tuple[int, int, int]
Bools = NDArray[np.bool_]
Sleeve = Literal["none", "short", "elbow", "long"]
Bottom = Literal["shorts", "trousers"]
Hair = Literal["bald", "cropped", "short", "full", "bob", "long", "bun"]
Pattern = Literal["plain", "stripes", "yoke", "print"]

SLEEVE_ENDS: dict[Sleeve, float] = {"none": -0.02, "short": 0.55, "elbow": 0.92, "long": 1.93}
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
class _Map:
    """Regions of the average body; all arrays (F,)."""

    centre: Floats
    """(F, 3) m, in the neutral stance, the floor at 0"""
    arm: Floats
    """0 shoulder, 1 elbow, 2 wrist, 3 finger tips; NaN off the arm"""
    leg: Floats
    """0 hip, 1 knee, 2 ankle; NaN off the leg"""
    head: Bools
    hand: Bools
    foot: Bools
    eye: Bools
    inner: Bools
    scalp: Bools
    jaw: Bools
    lips: Bools
    brows: Bools
    iris: Bools
    neck_opening: Bools
    strap_free: Bools
    """Bare with a sleeveless top"""
    hips: Bools
    """Trunk below the waistband"""


def skin_colour(tone: float) -> Floats:
    """Red, green, blue (3,) of a skin tone from 0 light to 1 dark."""
    at = [t for t, _ in SKIN_TONES]
    return np.array([np.interp(tone, at, [colour[i] for _, colour in SKIN_TONES]) for i in range(3)])


@lru_cache(maxsize=1)
def _map() -> _Map:
    shared = rig()
    shape = shape_body(Traits())
    neutral = np.broadcast_to(np.eye(3), (len(shared.parents), 3, 3))
    heads = posed_heads(shape, neutral)
    vertices = np.asarray(skin(shape, neutral, heads), np.float64)
    floor = np.array([0, 0, vertices[:, 2].min()])
    vertices, heads = vertices - floor, heads - floor
    centre = vertices[shared.faces].mean(1)
    weights = np.asarray(shared.weights.toarray())[shared.faces].mean(1)
    region = {name: shared.face_region == i for i, name in enumerate(shared.region_names)}

    def weight(*bones: str) -> Floats:
        return np.asarray(weights[:, [shared.index[bone] for bone in bones]].sum(1), np.float64)

    def along(near: str, far: str) -> Floats:
        start, end = heads[shared.index[near]], heads[shared.index[far]]
        axis = end - start
        return np.asarray((centre - start) @ axis / (axis @ axis), np.float64)

    arm, leg = np.full(len(centre), np.nan), np.full(len(centre), np.nan)
    strap_free = np.zeros(len(centre), bool)
    hand, foot = region["hand.L"] | region["hand.R"], region["foot.L"] | region["foot.R"]
    for s in (".L", ".R"):
        upper, lower = weight("upperarm01" + s, "upperarm02" + s), weight("lowerarm01" + s, "lowerarm02" + s)
        wrist = (region["hand" + s]) | (weight("wrist" + s) > 0.5)
        arm[(upper > 0.5) & (upper >= lower)] = along("upperarm01" + s, "lowerarm01" + s)[
            (upper > 0.5) & (upper >= lower)
        ]
        on_lower = (lower > upper) & (lower + upper > 0.5)
        arm[on_lower] = 1 + along("lowerarm01" + s, "wrist" + s)[on_lower]
        arm[wrist] = 2 + along("wrist" + s, "finger3-3" + s)[wrist].clip(0, 1)
        strap_free |= (weight("upperarm01" + s, "upperarm02" + s, "shoulder01" + s) > 0.3) | on_lower | wrist
        thigh, shin = weight("upperleg01" + s, "upperleg02" + s), weight("lowerleg01" + s, "lowerleg02" + s)
        leg[thigh > 0.5] = along("upperleg01" + s, "lowerleg01" + s)[thigh > 0.5]
        on_shin = (shin > thigh) & ~region["foot" + s]
        leg[on_shin] = 1 + along("lowerleg01" + s, "foot" + s)[on_shin]
    head = region["head"]
    x, y, z = centre.T
    eye_z = heads[shared.index["eye.L"], 2]
    eye_x = heads[shared.index["eye.L"], 0]
    rise = z - eye_z
    hairline = np.interp(y, [-0.14, -0.1, -0.05, -0.02, 0.015, 0.03], [0.075, 0.07, 0.03, 0.01, -0.05, -0.075])
    ear = (np.abs(x) > 0.072) & (y > -0.05) & (y < 0.02) & (rise < 0.022)
    front = head & (y < -0.06)
    lips = front & (np.abs(x) < 0.027) & (np.abs(rise + 0.0665 + 3 * x**2) < 0.0085) & (y < -0.115)
    brow_x = np.abs(np.abs(x) - eye_x)
    brows = front & (brow_x < 0.021) & (np.abs(rise - 0.0225 + 4 * brow_x**2) < 0.0042)
    front_eye = region["eye_front.L"] | region["eye_front.R"]
    iris = front_eye & (np.hypot(np.abs(x) - eye_x, rise) < 0.0062)
    inner = region["mouth_cavity"] | region["tongue"] | region["eye_cavity.L"] | region["eye_cavity.R"]
    neck_z, hip_z = heads[shared.index["neck01"], 2], heads[shared.index["upperleg01.L"], 2]
    opening = head | (np.hypot(x / 1.15, (y + 0.005) * 1.0) + 0.6 * np.abs(z - neck_z) < 0.083)
    return _Map(
        centre=centre,
        arm=arm,
        leg=leg,
        head=head,
        hand=hand,
        foot=foot,
        eye=front_eye | region["eye_back.L"] | region["eye_back.R"],
        inner=inner,
        scalp=head & (rise > hairline) & ~ear,
        jaw=head & (rise < -0.03) & (rise > -0.135) & (y < -0.035) & (np.abs(x) + 0.25 * rise > -0.02) & ~lips,
        lips=lips,
        brows=brows,
        iris=iris,
        neck_opening=opening,
        strap_free=strap_free,
        hips=np.isnan(leg) & np.isnan(arm) & ~head & ~foot & (z < hip_z + 0.075),
    )


def _covered_by_top(look: Look) -> Bools:
    m = _map()
    trunk = np.isnan(m.arm) & np.isnan(m.leg) & ~m.neck_opening & ~m.foot & ~m.inner & ~m.eye
    if look.sleeve == "none":
        return trunk & ~m.strap_free & ~m.hips
    return (trunk & ~m.hips) | (m.arm < SLEEVE_ENDS[look.sleeve])


def _covered_by_bottom(look: Look) -> Bools:
    m = _map()
    return m.hips | (m.leg < BOTTOM_ENDS[look.bottom])


def paint(look: Look, seed: int) -> tuple[NDArray[np.uint8], NDArray[np.float32]]:
    """Colour (F, 3) and roughness (F,) of every triangle of the body."""
    m = _map()
    rng = np.random.default_rng((seed, 71))
    base = skin_colour(look.skin_tone)
    colours = np.tile(base, (len(m.centre), 1))
    roughness = np.full(len(m.centre), SKIN_ROUGHNESS)
    colours *= 1 + 0.03 * np.sin(40 * m.centre @ rng.normal(size=3))[:, None]
    colours[m.lips] = base * [0.86, 0.62, 0.62]
    if look.hair != "bald" or look.beard:
        colours[m.brows] = 0.35 * base + 0.65 * np.array(look.hair_colour)
    colours[m.eye] = (235, 232, 226)
    colours[m.iris] = (58, 40, 30)
    colours[m.inner] = base * [0.45, 0.25, 0.25]
    if look.beard:
        colours[m.jaw] = 0.4 * base + 0.6 * np.array(look.hair_colour)
    if look.hair != "bald":
        colours[m.scalp] = look.hair_colour
        roughness[m.scalp] = HAIR_ROUGHNESS
    bottom, top = _covered_by_bottom(look), _covered_by_top(look)
    colours[bottom] = look.bottom_colour
    colours[top] = _top_colours(look, rng)[top]
    roughness[bottom | top] = CLOTH_ROUGHNESS
    if look.shoe_colour is not None:
        colours[m.foot] = look.shoe_colour
        roughness[m.foot] = CLOTH_ROUGHNESS
    return colours.clip(0, 255).astype(np.uint8), roughness.astype(np.float32)


def _top_colours(look: Look, rng: np.random.Generator) -> Floats:
    m = _map()
    first, second = np.array(look.top_colour, float), np.array(look.top_second_colour, float)
    z = m.centre[:, 2]
    if look.top_pattern == "stripes":
        chosen = np.floor(z / rng.uniform(0.04, 0.09) + 0.5) % 2 == 0
    elif look.top_pattern == "yoke":
        chosen = z > np.quantile(z[~m.head], 0.8) - rng.uniform(0.05, 0.2)
    elif look.top_pattern == "print":
        x, y = m.centre[:, 0], m.centre[:, 1]
        chosen = (np.hypot(x, z - 1.32) < rng.uniform(0.06, 0.1)) & (y < 0)
    else:
        chosen = np.zeros(len(z), bool)
    return np.where(chosen[:, None], second, first)


def stand_off_m(look: Look) -> Floats:
    """How far each vertex (V,) stands off the bare skin, along its normal."""
    shared, m = rig(), _map()
    vertices = shared.weights.shape[0]
    off = np.zeros(vertices)

    def inside(faces: Bools) -> Bools:
        """Vertices all of whose triangles belong to the region, so that the edge stays on the skin."""
        touched, outside = np.zeros(vertices, bool), np.zeros(vertices, bool)
        touched[shared.faces[faces]] = True
        outside[shared.faces[~faces]] = True
        return touched & ~outside

    top, bottom = _covered_by_top(look), _covered_by_bottom(look)
    off[inside(bottom | top)] = 0.003
    off[inside(bottom)] += look.bottom_looseness_m
    off[inside(top)] = 0.004 + look.looseness_m
    if look.hair != "bald":
        off[inside(m.scalp)] = HAIR_THICKNESS_M[look.hair]
    if look.shoe_colour is not None:
        off[inside(m.foot)] = 0.006
    return off


def vertex_normals(vertices: Floats) -> Floats:
    """Outward unit normals (V, 3), weighted by area."""
    faces = rig().faces
    a, b, c = (vertices[faces[:, i]] for i in range(3))
    normal = np.cross(b - a, c - a)
    total = np.zeros_like(vertices)
    for corner in range(3):
        for axis in range(3):
            total[:, axis] += np.bincount(faces[:, corner], normal[:, axis], len(vertices))
    return np.asarray(total / np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-12), np.float64)
