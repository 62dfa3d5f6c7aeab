"""Samples that are set aside, and good ones that are not. Truth: which samples were spoilt."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from vision_rom.motion import hampel_outliers, repetitions, smooth
from vision_rom.motion.outliers import jumped_islands, jumps


@pytest.mark.parametrize("rate_hz", [15.0, 24.0, 25.0, 30.0, 60.0, 100.0])
@pytest.mark.parametrize(("up_s", "hold_s"), [(0.4, 0.0), (0.5, 1.0), (1.0, 0.0), (3.0, 2.0)])
def test_no_sample_of_a_clean_raise_is_set_aside(draw: Any, rate_hz: float, up_s: float, hold_s: float) -> None:
    """Whatever part of the movement the recording begins and ends in; the very ends cannot be judged for sure."""
    time_s = draw.times(5.0, rate_hz)
    inside = (time_s > 0.2) & (time_s < 4.8)
    for begin in (0.0, 0.9, 1.7):
        angle_deg = draw.raises(time_s + begin, 175.0, 90.0, up_s=up_s, hold_s=hold_s, rest_s=1.0)
        assert not smooth(draw.curve(time_s, angle_deg)).outliers[inside].any()


def test_few_samples_of_plain_jitter_are_set_aside(draw: Any) -> None:
    rng = np.random.default_rng(1)
    time_s = draw.times(300.0)
    assert hampel_outliers(time_s, rng.normal(scale=3.0, size=time_s.size)).mean() < 0.04


@pytest.mark.parametrize("spoilt", [1, 2, 3, 4])
def test_short_runs_of_wrong_samples_are_found(draw: Any, spoilt: int) -> None:
    """A limb taken for another for up to 0.13 s, at rest, on the way and in the hold, at even and uneven times."""
    rng = np.random.default_rng(2)
    for kept in (np.ones(211, np.bool_), rng.random(211) < 0.9):
        time_s = draw.times(7.0)[kept]
        clean = draw.raises(time_s, 150.0) + rng.normal(size=time_s.size)
        for first in (20, 60, 85):
            angle_deg = clean.copy()
            angle_deg[first : first + spoilt] += 70
            found = smooth(draw.curve(time_s, angle_deg)).outliers
            assert found[first : first + spoilt].all()
            assert found.sum() <= spoilt + 4


def test_a_long_island_between_jumps_is_set_aside_and_the_hold_survives(draw: Any) -> None:
    """0.4 s of the other arm in the middle of a hold outnumber their neighbours, but no arm gets there and back."""
    time_s = draw.times(9.0)
    angle_deg = draw.raises(time_s, 90.0, hold_s=3.0)
    angle_deg[120:132] = 175.0
    result = smooth(draw.curve(time_s, angle_deg))
    np.testing.assert_array_equal(np.flatnonzero(result.outliers), np.arange(120, 132))
    (one,) = repetitions(result).kept
    assert one.peak_deg == pytest.approx(90.0, abs=0.5)


def test_a_lasting_jump_breaks_the_curve(draw: Any) -> None:
    """A step to another level is no movement: no speed and no trust on either side of it."""
    time_s = draw.times(6.0)
    angle_deg = np.where(time_s < 3, 10.0, 90.0)
    result = smooth(draw.curve(time_s, angle_deg))
    assert not result.trusted[85:95].any()
    np.testing.assert_allclose(result.angle_deg, angle_deg, atol=1e-9)
    np.testing.assert_allclose(result.speed_deg_s, 0.0, atol=1e-9)


def test_jumps_and_islands_by_hand() -> None:
    time_s = np.arange(8) / 30
    angle_deg = np.array([0.0, 0, np.nan, 90, 90, 0, 0, 100])
    np.testing.assert_array_equal(jumps(time_s, angle_deg), [5, 7])  # 90 deg over two steps is 1350 deg/s
    np.testing.assert_array_equal(jumps(time_s, angle_deg, fastest_deg_s=1300.0), [3, 5, 7])
    np.testing.assert_array_equal(np.flatnonzero(jumped_islands(time_s, angle_deg, fastest_deg_s=1300.0)), [3, 4])


def test_a_missing_value_is_no_outlier_and_few_samples_are_not_judged() -> None:
    time_s = np.arange(20) / 30
    angle_deg = np.zeros(20)
    angle_deg[5] = np.nan
    angle_deg[9] = 80.0
    np.testing.assert_array_equal(np.flatnonzero(hampel_outliers(time_s, angle_deg)), [9])
    assert not hampel_outliers(time_s[:4], np.array([0.0, 0, 90, 0])).any()
    assert not hampel_outliers(time_s * 10, angle_deg).any()
