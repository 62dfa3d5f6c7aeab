"""Invented people: from a seed to a body, a look, and posed figures.

No one is meant: traits, tones and garments are drawn at random. Statures follow sex (mean 1.755 and 1.62 m, SD 0.07 and
0.065; common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv, ndtri

from vision_rom.synthetic.appearance import (
    HAIR_ROUGHNESS,
    Bottom,
    Colour,
    Hair,
    Look,
    Painting,
    Pattern,
    Sleeve,
    lay_on,
    vertex_normals,
)
from vision_rom.synthetic.body import BodyShape, Floats, Traits, rig, shape_body, skin
from vision_rom.synthetic.figure import Figure
from vision_rom.synthetic.hair import HairMesh, loose_hair
from vision_rom.synthetic.pose3d import PoseParameters, Posture, on_the_floor, posture

Sex = Literal["female", "male"]

STATURE_M: dict[Sex, tuple[float, float]] = {"female": (1.62, 0.065), "male": (1.755, 0.07)}

JOINT_BONES: dict[str, str] = {
    "pelvis": "root",
    "thorax": "spine01",
    "neck": "neck01",
    "head": "head",
} | {
    f"{side}_{joint}": f"{bone}.{side[0].upper()}"
    for side in ("left", "right")
    for joint, bone in {
        "shoulder": "upperarm01",
        "elbow": "lowerarm01",
        "wrist": "wrist",
        "knuckle": "finger3-1",
        "thumb": "finger1-3",
        "eye": "eye",
        "hip": "upperleg01",
        "knee": "lowerleg01",
        "ankle": "foot",
    }.items()
}
"""Joint centre -> bone whose near end it is; ``shoulder`` is the glenohumeral joint centre."""


@dataclass(frozen=True, slots=True)
class Person:
    """One invented adult. Equal seeds are equal people."""

    seed: int
    sex: Sex
    traits: Traits
    stature_m: float
    look: Look

    @property
    def age_years(self) -> float:
        """25 to 90."""
        return self.traits.age_years

    @property
    def neutral_shoulder_width_m(self) -> float:
        """Distance between the glenohumeral centres in the neutral stance."""
        index, heads = rig().index, _clothed(self).body.neutral_heads
        return float(np.linalg.norm(heads[index["upperarm01.L"]] - heads[index["upperarm01.R"]]))

    def skeleton(self, pose: PoseParameters) -> Posture:
        """Bone rotations and joint centres without the floor: quick, and enough for angles."""
        return posture(_clothed(self).body, pose)

    def posture(self, pose: PoseParameters) -> Posture:
        """Bone rotations and joint centres, standing on the floor."""
        return _standing(self, pose)

    def joints(self, pose: PoseParameters) -> dict[str, Floats]:
        """Joint centres (3,) in m in the world; names in :data:`JOINT_BONES`."""
        index = rig().index
        heads = self.posture(pose).heads_m
        return {joint: heads[index[bone]] for joint, bone in JOINT_BONES.items()}

    def figure(self, pose: PoseParameters) -> Figure:
        """Return the person in a pose, painted and ready to draw."""
        clothed, stance = _clothed(self), self.posture(pose)
        vertices = skin(clothed.body, stance.rotations, stance.heads_m)
        whole = [clothed.painting.mesh.mix @ vertices]
        if clothed.loose_hair is not None:
            at = rig().index["head"]
            whole.append(clothed.loose_hair.vertices_m @ stance.rotations[at].T + stance.heads_m[at])
        return Figure(np.concatenate(whole).astype(np.float32), clothed.faces, clothed.colours, clothed.roughness)


@dataclass(frozen=True, slots=True)
class _Clothed:
    """What stays the same in every pose."""

    body: BodyShape
    painting: Painting
    loose_hair: HairMesh | None
    faces: NDArray[np.int32]
    colours: NDArray[np.uint8]
    roughness: NDArray[np.float32]


@lru_cache(maxsize=32)
def _clothed(person: Person) -> _Clothed:
    bare = shape_body(person.traits)
    painting = lay_on(person.look)
    thickness = painting.stand_off_m[:, None] * vertex_normals(bare.rest_vertices)
    body = BodyShape(bare.rest_vertices + thickness, bare.rest_heads, bare.to_neutral, bare.neutral_heads)
    triangles, colours, roughness = painting.mesh.faces, painting.colours, painting.roughness
    hair = loose_hair(person.look.hair, bare)
    if hair is not None:
        triangles = np.concatenate([triangles, hair.faces + painting.mesh.mix.shape[0]])
        colours = np.concatenate([colours, np.full((len(hair.faces), 3), person.look.hair_colour, np.uint8)])
        roughness = np.concatenate([roughness, np.full(len(hair.faces), HAIR_ROUGHNESS, np.float32)])
    faces = triangles.astype(np.int32)
    for shared in (faces, colours, roughness):
        shared.flags.writeable = False
    return _Clothed(body, painting, hair, faces, colours, roughness)


@lru_cache(maxsize=4)
def _standing(person: Person, pose: PoseParameters) -> Posture:
    """Kept for the call that usually follows with the same pose."""
    body = _clothed(person).body
    stance = on_the_floor(body, posture(body, pose))
    stance.heads_m.flags.writeable = stance.rotations.flags.writeable = False
    return stance


_PRIMES = (2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31)


def _spread(seed: int) -> list[float]:
    """Coordinates in 0 to 1 that fill the cube evenly for consecutive seeds (Kronecker sequence, Niederreiter 1992)."""
    return [float((seed + 1) * np.sqrt(prime) % 1) for prime in _PRIMES]


@lru_cache(maxsize=512)
def make_person(seed: int) -> Person:
    """Invent the person of a seed. Consecutive seeds spread evenly over sex, age, build and clothing."""
    spread = iter(_spread(seed))
    rng = np.random.default_rng((seed, 13))
    sex: Sex = "female" if next(spread) < 0.5 else "male"
    age_years = 25 + 65 * float(betaincinv(1.2, 1.6, next(spread)))
    muscle = 0.15 + 0.7 * next(spread)
    weight = 0.15 + 0.8 * float(betaincinv(1.3, 1.5, next(spread)))
    mean, sd = STATURE_M[sex]
    wanted_m = mean + sd * float(ndtri(0.02 + 0.96 * next(spread)))
    proportion = 0.15 + 0.7 * next(spread)
    tone = next(spread)
    ancestry = _ancestry(tone, rng)
    femaleness = rng.uniform(0.82, 1.0) if sex == "female" else rng.uniform(0.0, 0.18)
    traits = Traits(
        femaleness=femaleness,
        age_years=age_years,
        muscle=muscle,
        weight=weight,
        height=0.5,
        proportion=proportion,
        ancestry=ancestry,
    )
    traits = _at_stature(traits, wanted_m)
    sleeve, bottom, hair = next(spread), next(spread), next(spread)
    look = _dress(sex, age_years, tone, sleeve, bottom, hair, rng)
    return Person(seed, sex, traits, _stature_m(traits), look)


def _ancestry(tone: float, rng: np.random.Generator) -> tuple[float, float, float]:
    """Shares that go loosely with the skin tone."""
    lean = 0.4 + 3 * np.array([max(tone - 0.5, 0), max(0.5 - abs(tone - 0.4), 0), max(0.6 - tone, 0)])
    a, b, _ = (float(share) for share in rng.dirichlet(lean))
    return a, b, 1 - a - b


def _stature_m(traits: Traits) -> float:
    z = shape_body(traits).rest_vertices[:, 2]
    return float(z.max() - z.min())


def _at_stature(traits: Traits, wanted_m: float) -> Traits:
    """Set the height trait so that the body has the wanted stature, which is linear in that trait."""
    low, high = (_stature_m(_with_height(traits, h)) for h in (0.2, 0.6))
    return _with_height(traits, float(np.clip(0.2 + 0.4 * (wanted_m - low) / (high - low), 0.02, 0.98)))


def _with_height(traits: Traits, height: float) -> Traits:
    return Traits(
        traits.femaleness,
        traits.age_years,
        traits.muscle,
        traits.weight,
        height,
        traits.proportion,
        traits.ancestry,
    )


def _dress(
    sex: Sex, age_years: float, tone: float, sleeve: float, bottom: float, hair: float, rng: np.random.Generator
) -> Look:
    styles: dict[Sex, tuple[Hair, ...]] = {
        "male": ("bald", "cropped", "short", "short", "full"),
        "female": ("cropped", "short", "full", "bob", "long", "bun"),
    }
    sleeves: tuple[Sleeve, ...] = get_args(Sleeve)
    bottoms: tuple[Bottom, ...] = get_args(Bottom)
    patterns: tuple[Pattern, ...] = get_args(Pattern)
    cloth = [_cloth_colour(rng) for _ in range(4)]
    return Look(
        skin_tone=tone,
        hair=styles[sex][int(hair * len(styles[sex]))],
        hair_colour=_hair_colour(age_years, tone, rng),
        beard=bool(sex == "male" and rng.random() < 0.35),
        sleeve=sleeves[int(sleeve * len(sleeves))],
        looseness_m=float(rng.choice([0.0, 0.005, 0.01, 0.016])),
        top_pattern=patterns[int(rng.choice(4, p=[0.6, 0.18, 0.1, 0.12]))],
        top_colour=cloth[0],
        top_second_colour=cloth[1],
        bottom=bottoms[int(bottom * len(bottoms))],
        bottom_colour=cloth[2],
        bottom_looseness_m=float(rng.choice([0.0, 0.006, 0.012])),
        shoe_colour=None if rng.random() < 0.3 else cloth[3],
    )


def _cloth_colour(rng: np.random.Generator) -> Colour:
    value = rng.uniform(18, 240)
    tint = 1 - rng.uniform(0, 0.85) * rng.random(3)
    r, g, b = (int(v) for v in value * tint)
    return r, g, b


def _hair_colour(age_years: float, tone: float, rng: np.random.Generator) -> Colour:
    pigments = np.array([(18, 15, 14), (48, 32, 24), (92, 62, 40), (160, 122, 76), (120, 60, 34)], float)
    likely = np.array([0.3 + 2 * tone, 0.4, 0.35 * (1 - tone), 0.25 * (1 - tone) ** 2, 0.1 * (1 - tone) ** 2])
    pigment = pigments[rng.choice(len(pigments), p=likely / likely.sum())]
    grey = np.clip((age_years - 45) / 30 + rng.normal(0, 0.25), 0, 1)
    r, g, b = (int(v) for v in (1 - grey) * pigment + grey * np.array([188, 186, 182]))
    return r, g, b
