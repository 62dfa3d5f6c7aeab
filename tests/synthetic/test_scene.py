"""Rooms and furniture: repeatable, well formed, and never in the way."""

from __future__ import annotations

import numpy as np
import pytest

from vision_rom.synthetic.camera import Camera
from vision_rom.synthetic.furniture import HANGING, STANDING
from vision_rom.synthetic.scene import FREE_RADIUS_M, light_colour, make_room
from vision_rom.synthetic.solids import Material, Solids


def volume(solids: Solids) -> float:
    """Signed volume inside closed triangles facing outwards (divergence theorem)."""
    vertices, faces = np.concatenate(solids.vertices), np.concatenate(solids.faces)
    a, b, c = (vertices[faces[:, i]] for i in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6)


@pytest.mark.parametrize("axes", [np.eye(3), np.diag([1.0, -1.0, 1.0])])
def test_solids_have_their_volume_whichever_way_their_wall_faces(axes):
    box, cylinder = Solids(axes=axes), Solids(axes=axes)
    box.box([0, 0, 0], [1, 2, 3], (9, 9, 9))
    cylinder.spun([1, 1, 0], [(0.5, 0.0), (0.5, 2.0)], (9, 9, 9))
    assert volume(box) == pytest.approx(6.0)
    assert volume(cylinder) == pytest.approx(np.pi * 0.25 * 2.0, rel=0.02)


@pytest.mark.parametrize("piece", [*STANDING, *HANGING], ids=lambda piece: piece.build.__name__)
def test_furniture_stays_in_its_place(piece):
    """Within the stated width, in front of the wall, above the floor; standing pieces within their depth."""
    for seed in range(4):
        solids = Solids()
        piece.build(solids, np.random.default_rng(seed), 0.0)
        low = np.concatenate(solids.vertices).min(axis=0)
        high = np.concatenate(solids.vertices).max(axis=0)
        assert max(-low[0], high[0]) <= piece.width_m / 2 + 0.08
        assert low[1] >= -1e-9
        assert low[2] >= -1e-9
        if piece.depth_m:
            assert high[1] <= piece.depth_m + 0.08


def test_same_seed_same_room_and_another_seed_another():
    make_room.cache_clear()
    first = make_room(5)
    make_room.cache_clear()
    again = make_room(5)
    np.testing.assert_array_equal(first.vertices_m, again.vertices_m)
    np.testing.assert_array_equal(first.face_colours, again.face_colours)
    assert make_room(6).vertices_m.shape != first.vertices_m.shape


@pytest.mark.parametrize("seed", range(6))
def test_room_is_well_formed(seed):
    room = make_room(seed)
    assert room.faces.min() >= 0
    assert room.faces.max() < len(room.vertices_m)
    assert set(np.unique(room.face_materials)) <= {int(m) for m in Material}
    assert len(room.lamps) >= 1
    assert all(np.all(lamp.power > 0) for lamp in room.lamps)
    furniture = room.vertices_m[room.faces[room.face_item >= 0]].reshape(-1, 3)
    assert np.hypot(furniture[:, 0], furniture[:, 1]).min() > FREE_RADIUS_M - 0.4


@pytest.mark.parametrize("view", ["front", "back", "left_side", "right_side"])
def test_nothing_shown_stands_between_camera_and_person(view):
    camera = Camera(view=view, distance_m=3.5)
    eye = camera.position_m[:2]
    along = -eye / np.linalg.norm(eye)
    for seed in range(8):
        room = make_room(seed)
        shown = room.shown_from(camera)
        assert shown[room.face_item < 0].all()
        corners = room.vertices_m[room.faces[shown & (room.face_item >= 0)]].reshape(-1, 3)[:, :2]
        forward = (corners - eye) @ along
        aside = np.abs((corners - eye) @ np.array([-along[1], along[0]]))
        assert not np.any((forward > 0.3) & (forward < 3.4) & (aside < 0.35))


def test_light_colours_follow_plancks_law():
    """Warm light is redder; 6500 K is the reference; CIE 1931 puts a 2856 K lamp's blue far below its red."""
    np.testing.assert_allclose(light_colour(6500), 1.0)
    warm = light_colour(2856)
    assert warm[0] == 1.0
    assert warm[0] > warm[1] > warm[2]
    assert warm[2] < 0.35
    assert light_colour(9000)[2] == 1.0
