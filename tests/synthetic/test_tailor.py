"""Cutting a mesh changes neither its area nor its surface, and leaves no triangle astride the line."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision_rom.synthetic.tailor import at_faces, cut, uncut

SIDE = 6
CORNERS = np.array([(i, j) for i in range(SIDE) for j in range(SIDE)], float)
SQUARES = [(i * SIDE + j, (i + 1) * SIDE + j, i * SIDE + j + 1) for i in range(SIDE - 1) for j in range(SIDE - 1)]
FACES = np.array(SQUARES + [(b, b + 1, c) for _, b, c in SQUARES])
EVERYWHERE = np.ones(len(FACES), bool)


def signed_areas(points: np.ndarray, faces: np.ndarray) -> np.ndarray:
    a, b, c = (points[faces[:, i]] for i in range(3))
    u, v = b - a, c - a
    return (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]) / 2


slope = st.floats(-1, 1)


@settings(max_examples=60, deadline=None)
@given(slope, slope, st.floats(-3, 3), slope, slope, st.floats(-3, 3))
def test_area_and_orientation_stay_and_no_piece_lies_astride(
    a: float, b: float, c: float, d: float, e: float, f: float
) -> None:
    mesh = uncut(FACES, len(CORNERS))
    fields = [CORNERS @ [a, b] + c, CORNERS @ [d, e] + f]
    for field in fields:
        mesh = cut(mesh, field, 0.0, EVERYWHERE)
    points = mesh.mix @ CORNERS
    areas = signed_areas(points, mesh.faces)
    assert areas.sum() == pytest.approx((SIDE - 1) ** 2)
    assert areas.min() > -1e-9
    for field in fields:
        value = (mesh.mix @ field)[mesh.faces]
        assert ((value.min(1) > -1e-9) | (value.max(1) < 1e-9)).all()
    assert np.asarray(mesh.mix.sum(axis=1)).ravel() == pytest.approx(1)


def test_triangles_that_may_not_be_cut_stay_whole() -> None:
    where = np.arange(len(FACES)) < 10
    mesh = cut(uncut(FACES, len(CORNERS)), CORNERS[:, 0] - 1.5 + 0.01 * CORNERS[:, 1], 0.0, where)
    pieces = np.bincount(mesh.origin, minlength=len(FACES))
    assert pieces[:10].max() == 3
    assert (pieces[10:] == 1).all()


def test_values_at_faces_are_means_of_their_corners() -> None:
    mesh = uncut(FACES, len(CORNERS))
    assert at_faces(mesh, CORNERS[:, 1])[0] == pytest.approx(CORNERS[FACES[0], 1].mean())
