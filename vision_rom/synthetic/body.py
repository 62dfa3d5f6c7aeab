"""A parametric adult body: traits to rest mesh and skeleton, and linear blend skinning, in numpy alone.

Axes: x to the person's left, y backwards (the person faces -y), z up; metres. The data and where they come from are
described in ``data/NOTICE.md`` and ``export_body.py``.

Two postures matter. The *rest* mesh is the body as stored; its bones are turned a few degrees differently from person
to person. The *neutral* stance has every bone turned to the same reference orientation, so rotations are stated against
it: ``rotations[b]`` turns bone ``b`` from the neutral stance to the pose, in the axes above.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

DATA = Path(__file__).parent / "data"

YOUNG_YEARS = 25.0
OLD_YEARS = 90.0
"""Ages that the two adult anchors of the body model stand for (MakeHuman's age slider)."""


@dataclass(frozen=True, slots=True)
class Traits:
    """What a body is blended from. Every value but age and ancestry lies in 0 to 1, the average being 0.5."""

    femaleness: float = 0.5
    age_years: float = 40.0
    """25 to 90"""
    muscle: float = 0.5
    weight: float = 0.5
    height: float = 0.5
    proportion: float = 0.5
    """0 ideal by MakeHuman's measure, 1 uncommon"""
    ancestry: tuple[float, float, float] = (1 / 3, 1 / 3, 1 / 3)
    """Shares of the three sets of facial and bodily features of the source (African, Asian, European); sums to 1."""

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if field.name == "ancestry":
                if min(value) < 0 or abs(sum(value) - 1) > 1e-6:
                    raise ValueError(f"ancestry must be three shares that sum to 1, not {value}")
                continue
            low, high = (YOUNG_YEARS, OLD_YEARS) if field.name == "age_years" else (0.0, 1.0)
            if not low <= value <= high:
                raise ValueError(f"{field.name} must lie between {low:g} and {high:g}, not {value:g}")


@dataclass(frozen=True, slots=True)
class Rig:
    """What all bodies share: V vertices, F triangles, B bones."""

    faces: NDArray[np.int32]
    """(F, 3)"""
    face_region: NDArray[np.uint8]
    """(F,) index into ``region_names``"""
    region_names: tuple[str, ...]
    weights: sparse.csr_matrix
    """(V, B) skin weights; rows sum to 1"""
    bone_names: tuple[str, ...]
    parents: tuple[int, ...]
    """(B,) -1 for the root, which comes first; a parent comes before its children"""
    reference_orientations: Floats
    """(B, 3, 3)"""
    index: dict[str, int]
    """bone name -> position"""


@dataclass(frozen=True, slots=True)
class _ShapeSpace:
    mean_vertices: Floats32
    vertex_components: Floats32
    mean_heads: Floats32
    head_components: Floats32
    mean_covariances: Floats32
    covariance_components: Floats32
    corner_coefficients: Floats32


@dataclass(frozen=True, slots=True, eq=False)
class BodyShape:
    """One person's body before any pose; compared by identity, so that what is derived from it can be kept."""

    rest_vertices: Floats
    """(V, 3) m"""
    rest_heads: Floats
    """(B, 3) m, joint centre at the near end of each bone"""
    to_neutral: Floats
    """(B, 3, 3) turns each bone from the rest mesh to the neutral stance"""
    neutral_heads: Floats
    """(B, 3) m, joint centres in the neutral stance, the root at the origin"""


@lru_cache(maxsize=1)
def rig() -> Rig:
    """Read the shared part of the body (once per process)."""
    with np.load(DATA / "body_rig.npz") as stored:
        names = tuple(str(name) for name in stored["bone_names"])
        starts = stored["weight_row_starts"]
        weights = sparse.csr_matrix(
            (stored["weight_values"].astype(np.float64), stored["weight_bones"].astype(np.int32), starts),
            shape=(len(starts) - 1, len(names)),
        )
        return Rig(
            faces=stored["faces"].astype(np.int32),
            face_region=stored["face_region"],
            region_names=tuple(str(name) for name in stored["region_names"]),
            weights=weights,
            bone_names=names,
            parents=tuple(int(parent) for parent in stored["bone_parents"]),
            reference_orientations=stored["reference_orientations"],
            index={name: i for i, name in enumerate(names)},
        )


@lru_cache(maxsize=1)
def _shape_space() -> _ShapeSpace:
    with np.load(DATA / "body_shape.npz") as stored:
        return _ShapeSpace(
            mean_vertices=stored["mean_vertices_m"],
            vertex_components=stored["vertex_components"] * np.float32(stored["quantum_m"]),
            mean_heads=stored["mean_heads_m"],
            head_components=stored["head_components_m"],
            mean_covariances=stored["mean_covariances"],
            covariance_components=stored["covariance_components"],
            corner_coefficients=stored["corner_coefficients"],
        )


def _hat(value: float, anchors: int) -> Floats:
    """Weights of ``anchors`` evenly spaced points for linear interpolation at ``value`` in 0 to 1."""
    return np.asarray(np.clip(1 - np.abs(value * (anchors - 1) - np.arange(anchors)), 0, 1), np.float64)


def corner_weights(traits: Traits) -> Floats:
    """Weights (432,) of the corner bodies: the product of one linear interpolation per trait.

    The order of traits and anchors is that of ``GRID`` in ``export_body.py``.
    """
    years = (traits.age_years - YOUNG_YEARS) / (OLD_YEARS - YOUNG_YEARS)
    weights = np.ones(1)
    for factor in (
        _hat(traits.femaleness, 2),
        _hat(years, 2),
        _hat(traits.muscle, 3),
        _hat(traits.weight, 3),
        _hat(traits.height, 2),
        _hat(traits.proportion, 2),
        np.asarray(traits.ancestry, np.float64),
    ):
        weights = np.multiply.outer(weights, factor).ravel()
    return weights


def _nearest_rotations(matrices: Floats) -> Floats:
    """Return the rotation nearest to each (B, 3, 3) matrix (Kabsch 1976, by singular values)."""
    u, _, vt = np.linalg.svd(matrices)
    flip = np.sign(np.linalg.det(u @ vt))
    u[..., :, 2] *= flip[..., None]
    return np.asarray(u @ vt, np.float64)


def shape_body(traits: Traits) -> BodyShape:
    """Blend a body from its traits."""
    space, shared = _shape_space(), rig()
    coefficients = corner_weights(traits).astype(np.float32) @ space.corner_coefficients

    def blend(mean: Floats32, parts: Floats32) -> Floats:
        return np.asarray(mean + np.tensordot(coefficients, parts, axes=1), np.float64)

    heads = blend(space.mean_heads, space.head_components)
    rest_orientations = _nearest_rotations(blend(space.mean_covariances, space.covariance_components))
    rest_orientations[0] = np.eye(3)
    to_neutral = shared.reference_orientations @ rest_orientations.transpose(0, 2, 1)
    to_neutral[0] = np.eye(3)
    neutral = np.zeros_like(heads)
    for bone, parent in enumerate(shared.parents):
        if parent >= 0:
            neutral[bone] = neutral[parent] + to_neutral[parent] @ (heads[bone] - heads[parent])
    return BodyShape(
        rest_vertices=blend(space.mean_vertices, space.vertex_components),
        rest_heads=heads,
        to_neutral=to_neutral,
        neutral_heads=neutral,
    )


def posed_heads(shape: BodyShape, rotations: Floats, *, lengthen: dict[str, Floats] | None = None) -> Floats:
    """Joint centres (B, 3) in m for world ``rotations`` (B, 3, 3), the root at the origin.

    ``lengthen`` shifts the near end of a bone by a vector in m in its parent's axes (a joint that glides).
    """
    shared = rig()
    shift = {shared.index[name]: vector for name, vector in (lengthen or {}).items()}
    offsets = np.zeros_like(shape.neutral_heads)
    parents = np.array(shared.parents[1:])
    offsets[1:] = shape.neutral_heads[1:] - shape.neutral_heads[parents]
    for bone, vector in shift.items():
        offsets[bone] += vector
    turned = np.zeros_like(offsets)
    turned[1:] = np.einsum("bij,bj->bi", rotations[parents], offsets[1:])
    heads = np.zeros_like(offsets)
    for bone, parent in enumerate(shared.parents):
        if parent >= 0:
            heads[bone] = heads[parent] + turned[bone]
    return heads


def skin(shape: BodyShape, rotations: Floats, heads: Floats) -> Floats32:
    """Vertices (V, 3) in m by linear blend skinning (Magnenat-Thalmann, Laperriere and Thalmann 1988)."""
    return _blend_skin(shape, rotations, heads, rig().weights, shape.rest_vertices)


def lowest_point_m(shape: BodyShape, rotations: Floats, heads: Floats) -> float:
    """Height of the lowest point of the feet; quicker than the whole skin."""
    rows, weights = _feet()
    return float(_blend_skin(shape, rotations, heads, weights, shape.rest_vertices[rows])[:, 2].min())


@lru_cache(maxsize=1)
def _feet() -> tuple[NDArray[np.int64], sparse.csr_matrix]:
    shared = rig()
    regions = [shared.region_names.index(name) for name in ("foot.L", "foot.R")]
    rows = np.unique(shared.faces[np.isin(shared.face_region, regions)]).astype(np.int64)
    return rows, shared.weights[rows]


def _blend_skin(
    shape: BodyShape, rotations: Floats, heads: Floats, weights: sparse.csr_matrix, rest: Floats
) -> Floats32:
    linear = rotations @ shape.to_neutral
    offset = heads - np.einsum("bij,bj->bi", linear, shape.rest_heads)
    blended = weights @ np.concatenate([linear.reshape(-1, 9), offset], axis=1)
    vertices = np.einsum("vij,vj->vi", blended[:, :9].reshape(-1, 3, 3), rest) + blended[:, 9:]
    return np.asarray(vertices, np.float32)
