"""Elevation and rotation of arms posed by general-purpose rotation libraries."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pytransform3d.rotations import matrix_from_euler
from scipy.spatial.transform import Rotation
from transforms3d.euler import euler2mat

from vision_rom.angles.vectors import angle_between_deg

DOWN = np.array([0.0, -1.0, 0.0])  # thorax axes of Wu et al. 2005: x forward, y up, z to the right


def test_three_libraries_pose_the_same_arm():
    # thorax to humerus by plane of elevation, elevation, axial rotation, each about the axis just turned (Wu et al. 2005)
    degrees = (35.0, 72.0, -40.0)
    radians = np.radians(degrees)
    by_scipy = Rotation.from_euler("YXY", degrees, degrees=True).as_matrix()
    by_transforms3d = euler2mat(*radians, axes="ryxy")
    by_pytransform3d = matrix_from_euler(radians, 1, 0, 1, extrinsic=False)
    np.testing.assert_allclose(by_scipy, by_transforms3d, atol=4e-16)
    np.testing.assert_allclose(by_scipy, by_pytransform3d, atol=4e-16)
    other = Rotation.from_euler("YXY", (-145, -72, 140), degrees=True).as_matrix()
    np.testing.assert_allclose(by_scipy, other, atol=4e-16)
    for matrix in (by_scipy, by_transforms3d, by_pytransform3d, other):
        assert angle_between_deg(matrix @ DOWN, DOWN) == pytest.approx(72.0, abs=1e-9)


@given(st.floats(-180, 180), st.floats(0, 180), st.floats(-180, 180))
def test_elevation_is_the_second_angle_whatever_the_others(plane, elevation, axial):
    arm = Rotation.from_euler("YXY", (plane, elevation, axial), degrees=True).apply(DOWN)
    assert angle_between_deg(arm, DOWN) == pytest.approx(elevation, abs=1e-6)
