"""From triangles with a colour each to a mesh with smooth hems and hairlines.

Garments are painted triangle by triangle, which leaves a saw-tooth edge a triangle wide. Here the border between two
colours is moved to the line where their smoothed shares are equal, cutting triangles along it (marching triangles). The
result depends on colours and topology alone, so that it is worked out once per person and used for every pose: each new
vertex is a fixed blend of two old ones.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from vision_rom.synthetic.shading import Singles, to_linear

Ints = NDArray[np.int64]

ALIKE = 26.0
"""Colours nearer than this (distance in red, green, blue of 0 to 255) shade into one another without a hem."""
SMALL_SHARE = 0.004
"""A colour on fewer of the triangles than this (eyes, lips, brows) is left as it was painted."""
SMOOTHINGS = 2


@dataclass(frozen=True, slots=True, eq=False)
class Paintwork:
    """How to draw one person's mesh in any pose."""

    first: Ints
    """(n,) drawn vertex i lies between old vertices ``first[i]`` and ``second[i]``"""
    second: Ints
    share: Singles
    """(n, 1) of the second one"""
    faces: Ints
    """(m, 3) of drawn vertices"""
    albedo: Singles
    """(n, 3) linear colour"""
    triangles: NDArray[np.int32]
    """(F, 3) the person's own triangles"""
    around: sp.csr_array
    """(V, F) 1 where a triangle touches a vertex"""
    spread: sp.csr_array
    """(V, V) mean of a vertex and its neighbours"""

    def blend(self, values: NDArray[Any]) -> Singles:
        """Carry values (V, k) of the old vertices over to the drawn ones (n, k)."""
        start = values[self.first]
        return np.asarray(start + self.share * (values[self.second] - start), np.float32)

    def normals(self, vertices_m: NDArray[Any]) -> Singles:
        """Outward unit normals (V, 3) of the old vertices, weighted by area."""
        a, b, c = (vertices_m[self.triangles[:, i]] for i in range(3))
        total = self.around @ np.cross(b - a, c - a)
        return np.asarray(total / np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-12), np.float32)


def labels_of(face_colours: NDArray[np.uint8]) -> tuple[Ints, Ints]:
    """Group triangles (F,) by colour: shades of skin become one group, cloth another. Returns labels and their counts."""
    shades, which, counts = np.unique(face_colours, axis=0, return_inverse=True, return_counts=True)
    group = np.full(len(shades), -1)
    leaders: list[NDArray[np.float64]] = []
    for i in np.argsort(counts)[::-1]:
        shade = shades[i].astype(np.float64)
        near = [k for k, leader in enumerate(leaders) if np.linalg.norm(shade - leader) < ALIKE]
        if near:
            group[i] = near[0]
        else:
            group[i] = len(leaders)
            leaders.append(shade)
    labels = group[which.reshape(-1)]
    return labels, np.bincount(labels)


def prepare(faces: NDArray[np.int32], face_colours: NDArray[np.uint8]) -> Paintwork:
    """Work out hems and blends for triangles (F, 3) with colours (F, 3)."""
    n_vertices, n_faces = int(faces.max()) + 1, len(faces)
    rows, columns = faces.ravel(), np.repeat(np.arange(n_faces), 3)
    around = sp.csr_array((np.ones(rows.size, np.float32), (rows, columns)), shape=(n_vertices, n_faces))
    spread = around @ around.T
    spread.data[:] = 1.0
    spread.data /= np.repeat(np.maximum(np.diff(spread.indptr), 1), np.diff(spread.indptr)).astype(np.float32)

    labels, counts = labels_of(face_colours)
    wide = np.flatnonzero(counts > SMALL_SHARE * n_faces)
    hard = ~np.isin(labels, wide)
    share = np.stack([np.asarray(around @ (labels == k).astype(np.float32)) for k in wide], axis=1)
    for _ in range(SMOOTHINGS):
        share = spread @ share
    best = np.argmax(share, axis=1)
    colour_at = _vertex_colours(around, spread, labels, wide, to_linear(face_colours))

    corner = best[faces]
    one = (corner[:, 0] == corner[:, 1]) & (corner[:, 1] == corner[:, 2]) & ~hard
    two = (
        ~one
        & ~hard
        & ((corner[:, 0] == corner[:, 1]) | (corner[:, 1] == corner[:, 2]) | (corner[:, 2] == corner[:, 0]))
    )
    mesh = _Cutter(share, colour_at)
    mesh.whole(faces[one], corner[one, 0])
    mesh.cut(faces[two], corner[two])
    mesh.flat(faces[~one & ~two], to_linear(face_colours)[~one & ~two])
    first, second, blend, albedo, drawn = mesh.finished()
    return Paintwork(first, second, blend, drawn, albedo, np.ascontiguousarray(faces), around, spread)


def _vertex_colours(around: sp.csr_array, spread: sp.csr_array, labels: Ints, wide: Ints, colours: Singles) -> Singles:
    """Colour of each vertex for each wide label (V, k, 3); far from the label's own triangles, its mean colour."""
    out = []
    for k in wide:
        mine = (labels == k).astype(np.float32)[:, None]
        weight, total = around @ mine, around @ (mine * colours)
        weight, total = spread @ weight, spread @ total
        mean = colours[labels == k].mean(axis=0)
        out.append((total + 0.05 * mean) / (weight + 0.05))
    return np.stack(out, axis=1).astype(np.float32)


class _Cutter:
    """Collects drawn vertices and triangles; vertices are shared where source and label agree."""

    def __init__(self, share: Singles, colour_at: Singles) -> None:
        self.share, self.colour_at = share, colour_at
        self.parts: list[tuple[Ints, Ints, Singles, Singles]] = []

    def _add(self, a: Ints, b: Ints, t: Singles, colour: Singles) -> None:
        """One triangle per row: (m, 3) sources, blends (m, 3), colours (m, 3, 3)."""
        self.parts.append((a, b, t, colour))

    def whole(self, faces: NDArray[Any], label: Ints) -> None:
        self._add(faces, faces, np.zeros(faces.shape, np.float32), self.colour_at[faces, label[:, None]])

    def flat(self, faces: NDArray[Any], colours: Singles) -> None:
        self._add(faces, faces, np.zeros(faces.shape, np.float32), np.repeat(colours[:, None], 3, axis=1))

    def cut(self, faces: NDArray[Any], corner: Ints) -> None:
        """Cut triangles with two labels: the lone corner off the other two."""
        lone = np.where(corner[:, 1] == corner[:, 2], 0, np.where(corner[:, 0] == corner[:, 2], 1, 2))
        rows = np.arange(len(faces))
        p, q, r = (faces[rows, (lone + i) % 3] for i in range(3))
        mine, theirs = corner[rows, lone], corner[rows, (lone + 1) % 3]

        def crossing(far: NDArray[Any]) -> Singles:
            near_gap = self.share[p, mine] - self.share[p, theirs]
            far_gap = self.share[far, mine] - self.share[far, theirs]
            return np.asarray(np.clip(near_gap / np.maximum(near_gap - far_gap, 1e-9), 0.02, 0.98), np.float32)

        to_q, to_r, zero = crossing(q), crossing(r), np.zeros(len(faces), np.float32)
        for a, b, t, label in (
            ((p, p, p), (p, q, r), (zero, to_q, to_r), mine),
            ((p, q, r), (q, q, r), (to_q, zero, zero), theirs),
            ((p, r, p), (q, r, r), (to_q, zero, to_r), theirs),
        ):
            at, to, by = np.stack(a, 1), np.stack(b, 1), np.stack(t, 1)
            start, end = (self.colour_at[v, label[:, None]] for v in (at, to))
            self._add(at, to, by, start + by[..., None] * (end - start))

    def finished(self) -> tuple[Ints, Ints, Singles, Singles, Ints]:
        a, b, t, colour = (np.concatenate([part[i] for part in self.parts]) for i in range(4))
        # an edge is met from both of its ends: name it from the smaller one, so that both triangles share the vertex
        swap = a > b
        a, b, t = np.where(swap, b, a), np.where(swap, a, b), np.where(swap, 1 - t, t)
        key = np.concatenate(
            [
                np.stack([a.ravel(), b.ravel(), np.round(t.ravel() * 4096).astype(np.int64)], 1),
                np.round(colour.reshape(-1, 3) * 4096).astype(np.int64),
            ],
            axis=1,
        )
        _, index, inverse = np.unique(key, axis=0, return_index=True, return_inverse=True)
        return (
            a.ravel()[index].astype(np.int64),
            b.ravel()[index].astype(np.int64),
            t.ravel()[index][:, None].astype(np.float32),
            colour.reshape(-1, 3)[index],
            inverse.reshape(-1, 3),
        )
