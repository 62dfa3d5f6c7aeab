from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision_rom.angles.learned_interval import (
    LEAST_EXPECTED_DEG,
    conformal_factor,
    expected_error_deg,
    expected_errors_deg,
    with_learned_intervals,
)
from vision_rom.handover import AngleCurve, Repetition, SmoothCurve


def repetition(held_deg: float, start_s: float = 1.0) -> Repetition:
    nothing = (float("nan"), float("nan"))
    return Repetition(0.0, start_s, 3.0, held_deg + 1, held_deg, 5.0, 100.0, nothing, start_s, start_s + 0.5)


def smooth_curve(time_s: np.ndarray) -> SmoothCurve:
    still = np.zeros_like(time_s)
    source = AngleCurve("abduction", "left", time_s, still, still, still + 1)
    return SmoothCurve(source, time_s, still, still, still, still == 0, still == 1, 0.37, 3)


@pytest.mark.parametrize("seed", range(5))
def test_new_readings_are_held_as_often_as_promised(seed: int) -> None:
    """The promise of split-conformal prediction, on errors far from normal whose size is known only roughly."""
    rng = np.random.default_rng(seed)

    def draw(n: int) -> tuple[np.ndarray, np.ndarray]:
        expected = rng.uniform(1, 6, n)
        return expected * rng.standard_t(3, n) * rng.uniform(0.5, 1.5, n), expected

    held = []
    for _ in range(60):
        factor = conformal_factor(*draw(120))
        errors, expected = draw(200)
        held.append(np.mean(np.abs(errors) <= factor * expected))
    # the share over calibration sets of 120 is Beta distributed about 0.95 with a deviation of 0.02
    assert 0.94 < np.mean(held) < 0.965


def test_factor_is_the_ratio_of_the_right_rank() -> None:
    # of 39 ratios the (39 + 1) * 0.95 = 38th smallest
    assert conformal_factor(np.arange(1.0, 40.0), np.ones(39)) == 38.0
    # fewer than 19 clips cannot promise 95%: the largest ratio, never less
    assert conformal_factor(np.array([3.0, -7.0, 1.0]), np.ones(3)) == 7.0
    with pytest.raises(ValueError, match="at least one"):
        conformal_factor(np.zeros(0), np.zeros(0))


@given(sd=st.floats(0, 40), apart=st.floats(0, 60), more=st.floats(0.1, 20))
def test_expected_error_grows_with_either_sign_of_trouble(sd: float, apart: float, more: float) -> None:
    here = expected_error_deg(sd, apart)
    assert here >= max(LEAST_EXPECTED_DEG, sd)
    assert expected_error_deg(sd + more, apart) > here
    assert expected_error_deg(sd, apart + more) > here
    assert expected_error_deg(sd, float("nan")) == expected_error_deg(sd, 0.0)


def test_only_the_hold_counts() -> None:
    time = np.arange(0, 4, 0.1)
    hold = (time >= 1.0) & (time <= 1.5)
    sd, picture = np.where(hold, 2.0, 30.0), np.where(hold, 95.0, 0.0)
    (one,) = expected_errors_deg([repetition(100.0)], smooth_curve(time), sd, picture)
    assert one == pytest.approx(expected_error_deg(2.0, 5.0))


def test_a_hold_without_expectation_takes_the_whole_recordings() -> None:
    time = np.arange(0, 4, 0.1)
    sd = np.where((time >= 1.0) & (time <= 1.5), np.nan, 8.0)
    (one,) = expected_errors_deg([repetition(100.0)], smooth_curve(time), sd, np.full(time.shape, np.nan))
    assert one == pytest.approx(expected_error_deg(8.0, 0.0))


def test_repetitions_narrow_only_what_they_do_not_share() -> None:
    one, (low, high) = with_learned_intervals([repetition(100.0)], [2.0], factor=2.5)
    assert one[0].interval95_deg == (95.0, 105.0)
    assert (low, high) == pytest.approx((95.0, 105.0))
    _, (low4, high4) = with_learned_intervals([repetition(100.0)] * 4, [2.0] * 4, factor=2.5)
    assert high4 - low4 < high - low
    assert high4 - low4 > 0.85 * (high - low)
