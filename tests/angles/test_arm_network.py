"""The network's arithmetic and the angles that are read from its directions."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from vision_rom.angles.arm_network import (
    ArmNetwork,
    axial_rotation_deg,
    elevation_deg,
    plane_of_elevation_deg,
    predict_directions,
)

DOWN = np.array([0.0, 0.0, -1.0])


def raised(elevation: float, plane: float) -> np.ndarray:
    """An arm raised from hanging by a rotation, made with scipy's rotations (outside check)."""
    towards = np.array([np.cos(np.radians(plane)), -np.sin(np.radians(plane)), 0.0])
    return Rotation.from_rotvec(np.cross(DOWN, towards) * np.radians(elevation)).apply(DOWN)[None]


@given(elevation=st.floats(0, 179), plane=st.floats(-90, 90))
def test_elevation_does_not_depend_on_the_plane(elevation: float, plane: float) -> None:
    assert elevation_deg(raised(elevation, plane))[0] == pytest.approx(elevation, abs=1e-6)


@pytest.mark.parametrize("plane", [-90, -30, 0, 35, 90])
def test_plane_is_read_back(plane: float) -> None:
    assert plane_of_elevation_deg(raised(70, plane))[0] == pytest.approx(plane)


@pytest.mark.parametrize("rotation", [-70, -20, 0, 35, 80])
@pytest.mark.parametrize("abduction", [0.0, 6.0, 85.0, 100.0])
def test_rotation_is_the_forearms_azimuth(rotation: float, abduction: float) -> None:
    # forearm straight ahead of a hanging arm, turned outwards about the upper arm
    lift = Rotation.from_rotvec(np.cross(DOWN, [1.0, 0, 0]) * np.radians(abduction))
    outward = Rotation.from_rotvec(np.array([0, 0, 1.0]) * np.radians(rotation))
    upper = lift.apply(DOWN)[None]
    forearm = lift.apply(outward.apply([0, -1.0, 0]))[None]
    # at 90 degrees of abduction outward means upwards
    assert axial_rotation_deg(upper, forearm)[0] == pytest.approx(rotation, abs=1e-6)


def test_weights_survive_the_arrays_and_the_forward_pass_is_the_plain_formula() -> None:
    rng = np.random.default_rng(0)
    first, second = rng.normal(size=(5, 3)), rng.normal(size=(8, 5))
    arrays = {
        "mean": np.zeros(3),
        "scale": np.ones(3),
        "member0_0_weight": first,
        "member0_0_bias": np.zeros(5),
        "member0_1_weight": second,
        "member0_1_bias": np.zeros(8),
    }
    x = rng.normal(size=(4, 3))
    found = predict_directions(ArmNetwork.from_arrays(arrays), x)
    hidden = x @ first.T
    out = (hidden / (1 + np.exp(-hidden))) @ second.T
    expected = out[:, :3] / np.linalg.norm(out[:, :3], axis=1, keepdims=True)
    # single precision: a thousandth of a degree is 1.7e-5
    np.testing.assert_allclose(found.upper_arm, expected, atol=5e-6)


def test_members_that_disagree_widen_the_expected_error() -> None:
    rng = np.random.default_rng(1)
    base = {"mean": np.zeros(3), "scale": np.ones(3)}
    weights = {f"member{k}_0_weight": rng.normal(size=(8, 3)) * [[1]] for k in range(2)}
    biases = {f"member{k}_0_bias": np.zeros(8) for k in range(2)}
    apart = ArmNetwork.from_arrays({**base, **weights, **biases})
    same = ArmNetwork.from_arrays({**base, **weights, **biases, "member1_0_weight": weights["member0_0_weight"]})
    x = rng.normal(size=(6, 3))
    difference = predict_directions(apart, x).elevation_sd_deg > predict_directions(same, x).elevation_sd_deg
    assert difference.sum() >= 5


def test_a_missing_picture_stays_missing() -> None:
    network = ArmNetwork(np.zeros(2), np.ones(2), (((np.ones((8, 2)), np.zeros(8)),),))
    found = predict_directions(network, np.array([[1.0, 2.0], [np.nan, 1.0]]))
    assert np.isfinite(found.upper_arm[0]).all()
    assert np.isnan(found.upper_arm[1]).all()
