"""From triangles with a colour each to vertices with a colour each, with sharp hems.

The rasteriser shades between vertices. Where two garments meet, a vertex is therefore drawn once for each of their
colours. This depends on colours and topology alone, so that it is worked out once per person and used for every pose.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from vision_rom.synthetic.figure import Figure
from vision_rom.synthetic.shading import Singles, to_linear

Ints = NDArray[np.int64]

ALIKE = 26.0
"""Colours nearer than this (distance in red, green, blue of 0 to 255) shade into one another without an edge."""
CLOTH_ROUGHNESS = 0.9
"""Rougher triangles are cloth."""
FOLD_SLOPE = 0.11


@dataclass(frozen=True, slots=True, eq=False)
class Paintwork:
    """How to draw one person's mesh in any pose."""

    source: Ints
    """(n,) which of the person's vertices each drawn vertex is"""
    faces: Ints
    """(m, 3) of drawn vertices"""
    albedo: Singles
    """(n, 3) linear colour"""
    triangles: NDArray[np.int32]
    """(m, 3) of the person's own vertices"""
    around: sp.csr_array
    """(V, m) 1 where a triangle touches a vertex"""
    spread: sp.csr_array
    """(V, V) mean of a vertex and its neighbours"""

    def normals(self, vertices_m: NDArray[Any], folds: Singles | float = 0.0) -> Singles:
        """Outward unit normals (V, 3) of the person's vertices, weighted by area; ``folds`` as :func:`folds_of` gives."""
        a, b, c = (vertices_m[self.triangles[:, i]] for i in range(3))
        return _unit(_unit(self.around @ np.cross(b - a, c - a)) + folds)


def labels_of(face_colours: NDArray[np.uint8]) -> Ints:
    """Group triangles (m,) by colour: shades of skin become one group, each garment another."""
    shades, which, counts = np.unique(face_colours, axis=0, return_inverse=True, return_counts=True)
    group = np.full(len(shades), -1)
    leaders: list[NDArray[np.float64]] = []
    for i in np.argsort(counts)[::-1]:
        shade = shades[i].astype(np.float64)
        near = [k for k, leader in enumerate(leaders) if np.linalg.norm(shade - leader) < ALIKE]
        group[i] = near[0] if near else len(leaders)
        if not near:
            leaders.append(shade)
    return np.asarray(group[which.reshape(-1)])


def _unit(vectors: NDArray[Any]) -> Singles:
    square = np.einsum("ij,ij->i", vectors, vectors)
    return np.asarray(vectors / np.sqrt(np.maximum(square, 1e-24))[:, None], np.float32)


def folds_of(figure: Figure, work: Paintwork) -> Singles:
    """Return what the folds of cloth add to the unit normals (V, 3); 0 on skin.

    They are the slopes of shallow waves over the cloth, slanting as in pulled cloth, no two people's alike. They lie where
    this pose puts them: take them once for a clip, for folds that wander over the cloth look like water.
    """
    rough = (figure.face_roughness > CLOTH_ROUGHNESS).astype(np.float32)
    cloth = work.around @ rough / np.diff(work.around.indptr)
    rng = np.random.default_rng(np.bincount(figure.face_colours.ravel(), minlength=256))
    slope = np.zeros((len(cloth), 3), np.float32)
    for _ in range(7):
        direction = rng.normal(0, [0.6, 0.6, 1.0])
        wave = direction / np.linalg.norm(direction) * 2 * np.pi / rng.uniform(0.06, 0.2)
        # a slow second wave lets the folds begin and end
        along = np.asarray(
            figure.vertices_m @ wave + rng.uniform(0, 6) + 1.5 * np.sin(figure.vertices_m @ rng.normal(0, 9, 3))
        )
        slope += (FOLD_SLOPE * np.cos(along)[:, None] * (wave / np.linalg.norm(wave))).astype(np.float32)
    return np.asarray(slope * cloth[:, None], np.float32)


def prepare(figure: Figure) -> Paintwork:
    """Work out what all pictures of a person have in common, whatever the pose."""
    faces, face_colours, n_vertices = figure.faces, figure.face_colours, len(figure.vertices_m)
    rows, columns = faces.ravel(), np.repeat(np.arange(len(faces)), 3)
    around = sp.csr_array((np.ones(rows.size, np.float32), (rows, columns)), shape=(n_vertices, len(faces)))
    spread = around @ around.T
    spread.data[:] = 1.0
    spread.data /= np.repeat(np.diff(spread.indptr), np.diff(spread.indptr)).astype(np.float32)

    labels = labels_of(face_colours)
    corner = faces.ravel().astype(np.int64) * (int(labels.max()) + 1) + np.repeat(labels, 3)
    key, drawn = np.unique(corner, return_inverse=True)
    colours = np.repeat(to_linear(face_colours), 3, axis=0)
    share = np.bincount(drawn)
    albedo = np.stack([np.bincount(drawn, colours[:, i]) / share for i in range(3)], axis=1)
    return Paintwork(
        source=np.asarray(key // (int(labels.max()) + 1)),
        faces=drawn.reshape(-1, 3),
        albedo=albedo.astype(np.float32),
        triangles=faces,
        around=around,
        spread=spread,
    )
