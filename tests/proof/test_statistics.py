"""Figures of agreement against scipy, numpy and worked examples."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from vision_rom.proof.statistics import agreement_of, coverage_of, error_figures, line_of

angles = st.lists(st.floats(-180, 180), min_size=2, max_size=30)


def test_figures_of_a_worked_example() -> None:
    found = error_figures([12.0, 18.0, 33.0, np.nan], [10.0, 20.0, 30.0, 40.0])
    assert found.n == 3
    assert found.bias_deg == pytest.approx(1.0)
    assert found.mean_absolute_deg == pytest.approx(7 / 3)
    assert found.percentile95_deg == pytest.approx(2.9)  # 0.9 of the way from 2 to 3
    assert found.worst_deg == 3.0


def test_nothing_measured_gives_no_figures() -> None:
    found = error_figures([np.nan], [10.0])
    assert found.n == 0
    assert np.isnan([found.bias_deg, found.worst_deg]).all()


@given(angles, st.floats(-30, 30))
@settings(max_examples=50, deadline=None)
def test_constant_error_is_bias_and_nothing_else(true: list[float], shift: float) -> None:
    found = error_figures(np.array(true) + shift, true)
    assert found.bias_deg == pytest.approx(shift, abs=1e-9)
    assert found.mean_absolute_deg == pytest.approx(abs(shift), abs=1e-9)
    assert found.worst_deg == pytest.approx(abs(shift), abs=1e-9)


def test_line_is_that_of_scipy() -> None:
    rng = np.random.default_rng(3)
    true = rng.uniform(0, 180, 40)
    read = 4 + 0.93 * true + rng.normal(0, 3, 40)
    inside = (true >= 20) & (true <= 175)
    expected = stats.linregress(true[inside], read[inside])
    half = stats.t.ppf(0.975, inside.sum() - 2) * expected.stderr
    found = line_of(read, true, low_deg=20, high_deg=175)
    assert found.n == inside.sum()
    assert found.slope == pytest.approx(expected.slope)
    assert found.intercept_deg == pytest.approx(expected.intercept)
    assert (found.slope_low, found.slope_high) == pytest.approx((expected.slope - half, expected.slope + half))


def test_line_needs_three_angles() -> None:
    assert np.isnan(line_of([1.0, 2.0], [1.0, 2.0]).slope)
    assert np.isnan(line_of([1.0, 2.0, 3.0], [5.0, 5.0, 5.0]).slope)


def test_coverage_is_counted_with_the_interval_of_scipy() -> None:
    low, high = np.array([0.0, 10, 20, np.nan]), np.array([10.0, 20, 40, 5])
    found = coverage_of(low, high, [5.0, 20.0, 41.0, 3.0])
    assert found.n == 3
    assert found.share == pytest.approx(2 / 3)
    assert found.half_width_deg == 5.0
    wilson = stats.binomtest(2, 3).proportion_ci(method="wilson")
    assert (found.share_low, found.share_high) == pytest.approx((wilson.low, wilson.high))


def test_limits_of_agreement_hold_what_they_say() -> None:
    """Of many samples from a known normal distribution, 95% of the intervals hold the limit (Bland and Altman 1999)."""
    rng = np.random.default_rng(8)
    held = []
    for _ in range(800):
        found = agreement_of(rng.normal(2.0, 3.0, 60), np.zeros(60))
        upper = 2.0 + 1.96 * 3.0
        held.append(abs(found.upper_deg - upper) < found.limit_half_deg)
    assert 0.92 < np.mean(held) < 0.98


def test_limits_of_a_worked_example() -> None:
    found = agreement_of([1.0, 3.0], [0.0, 0.0])
    assert found.bias_deg == 2.0
    assert found.sd_deg == pytest.approx(np.sqrt(2))
    assert found.upper_deg - found.lower_deg == pytest.approx(2 * 1.96 * np.sqrt(2), rel=1e-4)


def test_pairs_must_match() -> None:
    with pytest.raises(ValueError, match="both"):
        error_figures([1.0, 2.0], [1.0])
