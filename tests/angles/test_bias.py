from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision_rom.angles.bias import LARGEST_CORRECTION_DEG, BiasLine, fit_bias_line


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
