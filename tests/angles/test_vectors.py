from __future__ import annotations

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st
from pytransform3d.rotations import angle_between_vectors

from vision_rom.angles.vectors import (
    along_and_across,
    angle_between_deg,
    direction_spread_deg,
    mean_direction_deg,
    median_direction_deg,
    robust_sd,
    running_median,
    signed_angle_deg,
    wrapped_deg,
)

number = st.floats(-1e3, 1e3, allow_nan=False)
turn = st.floats(-720, 720, allow_nan=False)


def test_signed_angle_is_clockwise_on_the_screen():
    right, down = np.array([1.0, 0.0]), np.array([0.0, 1.0])
    assert signed_angle_deg(right, down) == 90
    assert signed_angle_deg(down, right) == -90
    assert signed_angle_deg(right, -right) == 180


def test_no_length_is_not_measured():
    assert np.isnan(signed_angle_deg([0, 0], [1, 0]))
    assert np.isnan(angle_between_deg([0, 0, 0], [1, 0, 0]))
    assert np.isnan(along_and_across([1, 1], [0, 0])).all()


@given(turn, turn)
def test_signed_angle_is_the_difference_of_directions(first, second):
    unit = lambda deg: np.array([np.cos(np.radians(deg)), np.sin(np.radians(deg))])
    difference = wrapped_deg(signed_angle_deg(unit(first), unit(second)) - (second - first))
    assert abs(difference) < 1e-6


@given(st.tuples(number, number, number), st.tuples(number, number, number))
def test_angle_between_agrees_with_pytransform3d(a, b):
    # pytransform3d, a general library of rigid transformations
    a, b = np.array(a), np.array(b)
    if np.linalg.norm(a) < 1e-3 or np.linalg.norm(b) < 1e-3:
        return
    assert angle_between_deg(a, b) == pytest.approx(np.degrees(angle_between_vectors(a, b)), abs=1e-5)


def test_angle_keeps_its_precision_near_0_and_180():
    small = 1e-7
    for base in (0.0, 180.0):
        v = np.array([np.cos(np.radians(base - small)), np.sin(np.radians(base - small)), 0.0])
        assert abs(angle_between_deg([1, 0, 0], v) - abs(base - small)) < 1e-12 * 180


def test_robust_spread_agrees_with_scipy():
    # scipy.stats.median_abs_deviation with its normal scale
    data = np.random.default_rng(2).normal(size=501)
    assert robust_sd(data) == pytest.approx(scipy.stats.median_abs_deviation(data, scale="normal"), rel=1e-4)
    assert np.isnan(robust_sd([np.nan]))


def test_mean_direction_agrees_with_scipy():
    angle = np.array([170.0, -175.0, 160.0, -150.0])
    assert wrapped_deg(mean_direction_deg(angle)) == pytest.approx(
        wrapped_deg(scipy.stats.circmean(angle, high=180, low=-180)), abs=1e-9
    )


@given(st.lists(st.floats(-20, 20), min_size=3, max_size=30), turn)
def test_median_direction_turns_with_the_data(deviations, by):
    base = median_direction_deg(deviations)
    assert abs(wrapped_deg(median_direction_deg(np.array(deviations) + by) - base - by)) < 1e-6
    assert direction_spread_deg(np.array(deviations) + by) == pytest.approx(direction_spread_deg(deviations), abs=1e-6)


def test_median_direction_is_not_bent_by_opposite_directions():
    assert median_direction_deg([178, -179, 180, 179, -178, 5]) == pytest.approx(179.5, abs=1)


@given(turn, st.floats(-360, 360))
def test_wrapped_is_the_same_direction_inside_its_range(angle, lowest):
    out = float(wrapped_deg(angle, lowest_deg=lowest))
    assert lowest - 1e-9 <= out <= lowest + 360 + 1e-9
    assert abs((out - angle + 180) % 360 - 180) < 1e-6


def test_running_median_passes_over_a_spike_and_over_missing_values():
    out = running_median([1, 1, 50, 1, np.nan, 1], half_width=1)
    np.testing.assert_allclose(out, [1, 1, 1, 25.5, 1, 1])
    assert np.isnan(running_median([np.nan] * 5, half_width=1)).all()
