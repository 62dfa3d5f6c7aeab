"""Bending of the elbow on a drawn figure of known angles."""

from __future__ import annotations

import numpy as np
import pytest

from vision_rom.angles import find_view
from vision_rom.angles.hinge import READS_LOW_AT_DEG, READS_LOW_DEG, hinge_curve


def bent(draw, elbow_deg, *, side="left", facing_deg=None, distance_m=None, direction=1):
    facing = (-90.0 if side == "left" else 90.0) if facing_deg is None else facing_deg
    seen = draw(
        rotation_deg=np.zeros(12), elbow_deg=elbow_deg, side=side, facing_deg=np.full(12, facing), distance_m=distance_m
    )
    track = seen.track()
    view = find_view(track.landmarks_px, track.visibility, track.world_m, network="")
    return hinge_curve(track, movement="elbow_flexion", direction=direction, side=side, view=view)


def with_correction(elbow_deg):
    return elbow_deg * (1 + READS_LOW_DEG / READS_LOW_AT_DEG)


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("elbow_deg", [0.0, 35.0, 90.0, 140.0])
def test_the_drawn_angle_comes_back(draw, side, elbow_deg):
    curve = bent(draw, elbow_deg, side=side)
    assert np.nanmedian(curve.angle_deg) == pytest.approx(with_correction(elbow_deg), abs=0.5)


def test_perspective_changes_it_little(draw):
    curve = bent(draw, 120.0, distance_m=3.0)
    assert np.nanmedian(curve.angle_deg) == pytest.approx(with_correction(120.0), abs=2.0)


def test_straightening_counts_the_other_way(draw):
    curve = bent(draw, 40.0, direction=-1)
    assert np.nanmedian(curve.angle_deg) == pytest.approx(-with_correction(40.0), abs=0.5)


def test_from_the_front_it_is_refused(draw):
    curve = bent(draw, 90.0, facing_deg=0.0)
    assert not np.isfinite(curve.angle_deg).any()
    assert "film from the left side" in curve.remarks[0]


def test_the_far_arm_is_refused(draw):
    curve = bent(draw, 90.0, side="left", facing_deg=90.0)
    assert not np.isfinite(curve.angle_deg).any()
    assert "far side" in curve.remarks[0]
