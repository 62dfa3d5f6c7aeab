"""Directions of a drawn arm from metres, and its places in the picture."""

from __future__ import annotations

import numpy as np
import pytest

from vision_rom.angles.arm_path import arm_path


def path_of(draw, *, side="left", facing_deg=0.0, **options):
    track = draw(side=side, facing_deg=np.full(5, facing_deg), distance_m=None, **options).track()
    return arm_path(track, side, network=None, facing_deg=facing_deg)


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("facing_deg", [0.0, 60.0, 180.0])
@pytest.mark.parametrize(("elevation_deg", "azimuth_deg"), [(30.0, 0.0), (90.0, 35.0), (120.0, 90.0), (40.0, -90.0)])
def test_elevation_and_plane_come_back_from_every_view(draw, side, facing_deg, elevation_deg, azimuth_deg):
    path = path_of(
        draw, side=side, facing_deg=facing_deg, elevation_deg=np.full(5, elevation_deg), azimuth_deg=azimuth_deg
    )
    assert path.elevation_deg == pytest.approx(elevation_deg, abs=0.5)
    assert path.plane_deg == pytest.approx(azimuth_deg, abs=0.5)


@pytest.mark.parametrize("rotation_deg", [-40.0, 0.0, 60.0])
def test_the_bent_elbow_and_its_rotation_come_back(draw, rotation_deg):
    path = path_of(draw, rotation_deg=np.full(5, rotation_deg), elbow_deg=90.0)
    assert path.elbow_deg == pytest.approx(90.0, abs=0.5)
    assert path.rotation_deg == pytest.approx(rotation_deg, abs=1.0)


@pytest.mark.parametrize(("side", "facing_deg"), [("left", 0.0), ("right", 0.0), ("left", 180.0), ("right", 180.0)])
def test_the_own_side_is_positive_from_the_front_and_from_behind(draw, side, facing_deg):
    path = path_of(draw, side=side, facing_deg=facing_deg, elevation_deg=np.full(5, 80.0))
    assert (path.wrist_across > 0.5).all()
    assert (path.elbow_place[:, 0] > 0.5).all()
    assert (np.abs(path.wrist_along) < 0.4).all()


def test_a_hanging_hand_is_low_and_its_reach_the_whole_arm(draw):
    path = path_of(draw, elevation_deg=np.full(5, 0.0))
    assert (path.wrist_along > 1.0).all()
    assert path.reach == pytest.approx((0.186 + 0.146) / 0.288, abs=0.01)
