"""Order, thinning, rate, gaps and slow motion from times alone: truth by construction and by relations."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision_rom.clip.timing import (
    IncreasingTimes,
    Thinning,
    gaps_s,
    is_variable,
    last_picture_s,
    missing_end_s,
    rate_changes,
    stretches,
    typical_step_s,
)

times = st.floats(-1e6, 1e6)


def even(*parts: tuple[int, float]) -> np.ndarray:
    """Times from runs of (number of steps, rate in Hz)."""
    return np.concatenate([[0.0], np.cumsum(np.concatenate([np.full(count, 1 / rate) for count, rate in parts]))])


@given(st.lists(times))
def test_what_passes_is_strictly_increasing_and_nothing_is_lost_from_sight(given_s):
    gate = IncreasingTimes()
    passed = [time_s for time_s in given_s if gate.accept(time_s)]
    assert all(earlier < later for earlier, later in pairwise(passed))
    assert len(passed) + gate.equal + gate.backwards == len(given_s)
    assert passed == sorted(set(np.maximum.accumulate(given_s).tolist())) if given_s else passed == []


@given(st.lists(times, min_size=1, unique=True))
def test_times_in_order_all_pass(given_s):
    gate = IncreasingTimes()
    assert all(gate.accept(time_s) for time_s in sorted(given_s))
    assert (gate.equal, gate.backwards, gate.refused_s) == (0, 0, [])


@given(st.integers(1, 40), st.sampled_from([10.0, 25.0, 30.0]), st.integers(20, 300))
def test_a_whole_multiple_of_the_rate_is_thinned_evenly(multiple, wanted_hz, count):
    thinning = Thinning(wanted_hz)
    kept = [k for k in range(count) if thinning.keep(k / (multiple * wanted_hz))]
    assert kept == list(range(0, count, multiple))


@given(st.floats(1.0, 1000.0), st.floats(1.0, 100.0))
def test_the_rate_left_is_about_the_wanted_one(rate_hz, wanted_hz):
    thinning = Thinning(wanted_hz)
    kept_s = np.array([k / rate_hz for k in range(400) if thinning.keep(k / rate_hz)])
    if rate_hz <= wanted_hz:
        assert len(kept_s) == 400
    elif len(kept_s) > 1:
        step_s = np.diff(kept_s)
        assert np.ptp(step_s) < 1e-6  # even
        # the nearest whole number of steps is at most half a step away from the wanted one
        assert abs(step_s[0] - 1 / wanted_hz) <= 0.5 / rate_hz * (1 + 1e-5)


@given(st.lists(st.floats(0.001, 0.5), min_size=1, max_size=200), st.floats(1.0, 60.0))
def test_thinning_by_any_steps_leaves_no_hole_that_was_not_there(steps_s, wanted_hz):
    given_s = np.concatenate([[0.0], np.cumsum(steps_s)])
    thinning = Thinning(wanted_hz)
    kept = np.array([thinning.keep(time_s) for time_s in given_s.tolist()])
    assert kept[0]
    kept_s = given_s[kept]
    if len(kept_s) > 1:
        assert np.diff(kept_s).max() <= 1 / wanted_hz + max(steps_s)


def test_without_a_wanted_rate_everything_is_kept():
    thinning = Thinning(None)
    assert all(thinning.keep(k / 240) for k in range(100))


def test_jitter_around_30_hz_loses_no_picture():
    jitter_s = np.random.default_rng(7).uniform(-0.006, 0.006, 300)
    thinning = Thinning(30.0)
    assert all(thinning.keep(time_s) for time_s in (np.arange(300) / 30 + jitter_s).tolist())


def test_whole_milliseconds_do_not_change_the_rate():
    given_s = np.round(np.arange(300) / 30, 3)
    assert 1 / typical_step_s(given_s) == pytest.approx(30, rel=1e-3)
    assert not is_variable(given_s)


@given(st.lists(st.floats(1e-3, 1e3), min_size=1, max_size=50))
def test_the_typical_step_is_one_that_occurs(steps_s):
    given_s = np.concatenate([[0.0], np.cumsum(steps_s)])
    typical_s = typical_step_s(given_s)
    assert np.diff(given_s).min() * (1 - 1e-9) <= typical_s <= np.median(np.diff(given_s)) * 1.2 * (1 + 1e-9)


@pytest.mark.parametrize(
    ("recorded_s", "step_s", "expected_s"),
    [
        (0.04, 0.04, 0.04),
        (1.0, 0.04, 1.0),
        (0.0, 0.04, 0.04),
        (1e-5, 0.04, 0.04),
        (0.04, math.nan, 0.04),
        (0, math.nan, 0),
    ],
)
def test_how_long_the_last_picture_lasts(recorded_s, step_s, expected_s):
    assert last_picture_s(recorded_s, step_s) == expected_s


def test_too_few_pictures_have_no_rate():
    assert math.isnan(typical_step_s(np.array([])))
    assert math.isnan(typical_step_s(np.array([0.0])))
    assert typical_step_s(np.array([0.0, 0.5])) == 0.5
    for few in ([], [0.0], [0.0, 1.0]):
        assert not is_variable(np.array(few))
        assert gaps_s(np.array(few)) == ()
        assert stretches(np.array(few)) == ()


def test_lost_pictures_are_gaps_and_one_lost_picture_is_not():
    given_s = np.delete(np.arange(100) / 25, [30, 60, 61, 62])
    assert gaps_s(given_s) == (pytest.approx((59 / 25, 63 / 25)),)


@pytest.mark.parametrize("factor", [2, 4, 8])
def test_slow_motion_is_found_with_its_place(factor):
    given_s = even((200, 240), (60, 240 / factor), (200, 240))
    parts = rate_changes(given_s)
    assert [part.rate_hz for part in parts] == pytest.approx([240, 240 / factor, 240])
    assert parts[1].start_s == pytest.approx(200 / 240, abs=4 / 240 * factor)
    assert parts[1].end_s == pytest.approx(given_s[260], abs=4 / 240 * factor)


def test_a_gliding_ramp_is_found_too():
    glide = [(1, 240 / factor) for factor in np.linspace(1, 8, 40)]
    parts = rate_changes(even((200, 240), *glide, (60, 30)))
    assert parts[0].rate_hz == pytest.approx(240)
    assert parts[-1].rate_hz == pytest.approx(30)


@given(st.floats(5.0, 240.0), st.integers(60, 400), st.data())
def test_a_steady_rate_with_jitter_and_lost_pictures_is_no_slow_motion(rate_hz, count, data):
    seed = data.draw(st.integers(0, 1000))
    random = np.random.default_rng(seed)
    given_s = (np.arange(count) + random.uniform(-0.1, 0.1, count)) / rate_hz
    lost = random.random(count) < 0.05
    assert rate_changes(given_s[~lost]) == ()


@given(st.floats(0.1, 10.0))
def test_the_verdict_on_slow_motion_does_not_hang_on_the_time_factor(factor):
    given_s = even((200, 240), (60, 30), (200, 240))
    rates_hz = [part.rate_hz * factor for part in rate_changes(given_s * factor)]
    if factor >= 1:  # stretches must last a quarter of a second
        assert rates_hz == pytest.approx([240, 30, 240])


@pytest.mark.parametrize(
    ("end_s", "declared_s", "missing_s"),
    [(4.0, 4.0, 0.0), (3.95, 4.0, 0.0), (4.3, 4.0, 0.0), (1.9, 4.0, 2.1), (1.9, None, 0.0)],
)
def test_missing_end(end_s, declared_s, missing_s):
    assert missing_end_s(end_s, declared_s, 1 / 30, 0.1) == pytest.approx(missing_s)


def test_a_slow_rate_widens_the_tolerance_at_the_end():
    assert missing_end_s(3.6, 4.0, 0.2, 0.1) == 0.0
    assert missing_end_s(3.6, 4.0, math.nan, 0.1) == pytest.approx(0.4)
