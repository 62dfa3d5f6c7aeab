"""Colours per triangle become colours per vertex: hems stay sharp, shades of one garment melt."""

from __future__ import annotations

import numpy as np

from vision_rom.synthetic.figure import Figure
from vision_rom.synthetic.paintwork import folds_of, labels_of, prepare
from vision_rom.synthetic.shading import to_linear
from vision_rom.synthetic.solids import Solids

RED, DARK_RED, BLUE = (200, 40, 40), (192, 38, 38), (30, 30, 190)


def striped_ball(roughness=0.5, colours=(RED, BLUE)) -> Figure:
    """A ball whose upper half has the first colour and whose lower half has the second."""
    solids = Solids()
    solids.ball([0, 0, 0], [1, 1, 1], RED)
    vertices = np.concatenate(solids.vertices).astype(np.float32)
    faces = np.concatenate(solids.faces).astype(np.int32)
    upper = vertices[faces].mean(axis=1)[:, 2] > 0
    painted = np.where(upper[:, None], np.array(colours[0]), np.array(colours[1])).astype(np.uint8)
    return Figure(vertices, faces, painted, np.full(len(faces), roughness, np.float32))


def test_each_triangle_keeps_its_colour_beside_another_garment():
    figure = striped_ball()
    work = prepare(figure)
    np.testing.assert_allclose(
        work.albedo[work.faces], np.repeat(to_linear(figure.face_colours)[:, None], 3, axis=1), atol=1e-6
    )
    np.testing.assert_array_equal(work.source[work.faces], figure.faces)
    assert len(work.source) > len(figure.vertices_m)


def test_shades_of_one_garment_share_their_vertices():
    figure = striped_ball(colours=(RED, DARK_RED))
    assert len(prepare(figure).source) == len(figure.vertices_m)
    assert len(np.unique(labels_of(figure.face_colours))) == 1


def test_normals_of_a_ball_point_from_its_middle():
    figure = striped_ball()
    normals = prepare(figure).normals(figure.vertices_m)
    outward = figure.vertices_m / np.linalg.norm(figure.vertices_m, axis=1, keepdims=True)
    assert np.min(np.sum(normals * outward, axis=1)) > 0.95


def test_only_cloth_has_folds_and_they_repeat():
    skin, cloth = striped_ball(roughness=0.5), striped_ball(roughness=0.95)
    assert not folds_of(skin, prepare(skin)).any()
    folds = folds_of(cloth, prepare(cloth))
    assert np.abs(folds).max() > 0.05
    np.testing.assert_array_equal(folds, folds_of(cloth, prepare(cloth)))


def test_spreading_keeps_what_is_even_and_evens_what_is_not():
    work = prepare(striped_ball())
    n = len(work.normals(striped_ball().vertices_m))
    np.testing.assert_allclose(work.spread @ np.ones(n, np.float32), 1.0, atol=1e-6)
    spot = np.zeros(n, np.float32)
    spot[3] = 1.0
    assert (work.spread @ spot).max() < 0.5
