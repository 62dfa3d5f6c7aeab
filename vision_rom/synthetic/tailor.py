"""Cut a triangle mesh along level lines, so that a hem or a hairline is a clean edge instead of a row of teeth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from vision_rom.synthetic.body import Floats

Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class CutMesh:
    """A mesh whose vertices are mixtures of the V vertices that it was cut from."""

    mix: sparse.csr_matrix
    """(W, V) rows sum to 1: positions, posed or not, are ``mix @ positions``"""
    faces: Ints
    """(G, 3)"""
    origin: Ints
    """(G,) the triangle that each piece was cut from"""


def uncut(faces: Ints, vertices: int) -> CutMesh:
    """Return the mesh as it is."""
    return CutMesh(sparse.identity(vertices, format="csr"), faces, np.arange(len(faces)))


def cut(mesh: CutMesh, field: Floats, level: float, where: Bools) -> CutMesh:
    """Split the triangles that the level line of a field crosses.

    Args:
        mesh: the mesh so far.
        field: (V,) value at each original vertex.
        level: value along which to cut.
        where: (F,) which original triangles may be cut.
    """
    value = mesh.mix @ field - level
    above = value[mesh.faces] >= 0
    count = above.sum(1)
    crossed = where[mesh.origin] & (count > 0) & (count < 3)
    if not crossed.any():
        return mesh
    alone = np.where(count == 1, above.argmax(1), (~above).argmax(1))[crossed]
    corners = np.take_along_axis(mesh.faces[crossed], (alone[:, None] + np.arange(3)) % 3, axis=1)
    first, second, third = corners.T
    edges = np.sort(np.concatenate([np.stack([first, second], 1), np.stack([first, third], 1)]), axis=1)
    unique, place = np.unique(edges, axis=0, return_inverse=True)
    place = place.reshape(-1) + mesh.mix.shape[0]
    toward_second, toward_third = place[: len(first)], place[len(first) :]
    share = value[unique[:, 0]] / (value[unique[:, 0]] - value[unique[:, 1]])
    rows = np.repeat(np.arange(len(unique)), 2)
    between = sparse.csr_matrix(
        (np.stack([1 - share, share], 1).ravel(), (rows, unique.ravel())), shape=(len(unique), mesh.mix.shape[0])
    )
    pieces = np.concatenate(
        [
            np.stack([first, toward_second, toward_third], 1),
            np.stack([toward_second, second, third], 1),
            np.stack([toward_second, third, toward_third], 1),
        ]
    )
    return CutMesh(
        mix=sparse.vstack([mesh.mix, between @ mesh.mix], format="csr"),
        faces=np.concatenate([mesh.faces[~crossed], pieces]),
        origin=np.concatenate([mesh.origin[~crossed], np.tile(mesh.origin[crossed], 3)]),
    )


def at_faces(mesh: CutMesh, field: Floats) -> Floats:
    """Mean (G,) over each piece's corners of a field (V,) of the original vertices."""
    return np.asarray((mesh.mix @ field)[mesh.faces].mean(1), np.float64)
