from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision_rom.angles.bias import LARGEST_CORRECTION_DEG, BiasLine, fit_bias_line, fit_turned_deg


def test_fit_finds_the_line_that_made_the_errors():
    rng = np.random.default_rng(3)
    angle = rng.uniform(30, 175, 200)
    front = (rng.random(200) < 0.6).astype(float)
    errors = 1.2 - 0.02 * (angle - 90) + 1.5 * front + rng.normal(0, 0.5, 200)
    line = fit_bias_line(angle, errors, front)
    assert (line.constant_deg, line.slope, line.front_deg) == pytest.approx((1.2, -0.02, 1.5), abs=0.15)
    left = errors - np.where(front > 0, line.bias_deg(angle, front=True), line.bias_deg(angle, front=False))
    assert abs(left.mean()) < 0.1


@given(st.floats(-10, 10), st.floats(-0.2, 0.2), st.floats(-10, 10), st.floats(-90, 270), st.booleans())
def test_no_angle_is_moved_by_more_than_the_bound(constant, slope, front_deg, angle, front):
    line = BiasLine(constant, slope, front_deg)
    assert abs(line.bias_deg(np.array([angle]), front=front)[0]) <= LARGEST_CORRECTION_DEG


def test_below_the_fitted_angles_it_stays_as_it_is_there_and_nan_stays_nan():
    line = BiasLine(1.0, 0.02)
    low, lowest, unknown = line.bias_deg(np.array([30.0, -5.0, np.nan]), front=False)
    assert low == lowest
    assert np.isnan(unknown)


def test_a_forearm_read_too_far_inwards_is_turned_back_whichever_way_the_movement_counts():
    rng = np.random.default_rng(8)
    direction = np.where(rng.random(300) < 0.7, 1.0, -1.0)
    errors = 0.8 - 2.0 * direction + rng.normal(0, 3, 300)
    turned, standard_error = fit_turned_deg(errors, direction)
    assert turned == pytest.approx(-2.0, abs=3 * standard_error)
    assert standard_error == pytest.approx(3 / np.sqrt(300 * (1 - direction.mean() ** 2)), rel=0.15)
    line = BiasLine(turned_deg=turned)
    left = [
        float(e - line.bias_deg(np.array([50.0]), front=False, direction=int(d))[0])
        for e, d in zip(errors, direction, strict=True)
    ]
    assert np.mean(left) == pytest.approx(0.8, abs=0.6)
    assert abs(np.corrcoef(left, direction)[0, 1]) < 1e-9


def test_of_rotations_one_way_nothing_is_known():
    assert fit_turned_deg(np.array([2.0, 3.0, 2.5]), np.ones(3)) == (0.0, np.inf)
