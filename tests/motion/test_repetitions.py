"""Raises and returns found, dropped and left alone. Truth: the movement was drawn by formula."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision_rom.handover import Floats
from vision_rom.motion import RepetitionResult, RepetitionSettings, Smoothing, repetitions, smooth

JITTER_DEG = 1.0


def read(draw: Any, time_s: Floats, angle_deg: Floats) -> RepetitionResult:
    return repetitions(smooth(draw.curve(time_s, angle_deg)))


def jittered(draw: Any, angle_deg: Floats, sd_deg: float = JITTER_DEG, seed: int = 3) -> Floats:
    """Landmark jitter is correlated from frame to frame; 0.5 is common practice for simulation, no source."""
    return np.asarray(angle_deg + draw.jitter(np.random.default_rng(seed), angle_deg.size, sd_deg, 0.5))


@pytest.mark.parametrize(
    "tops_deg",
    [(175.0,) * 3, (150.0, 75.0, 140.0), (60.0, 30.0, 60.0), (20.0,) * 3, (40.0,), (90.0, 120.0, 150.0, 170.0, 60.0)],
)
@pytest.mark.parametrize(("up_s", "hold_s"), [(1.0, 0.3), (1.5, 1.0), (4.0, 2.0)])
@pytest.mark.parametrize("rate_hz", [24.0, 30.0, 60.0])
def test_every_raise_with_its_values(
    draw: Any, tops_deg: tuple[float, ...], up_s: float, hold_s: float, rate_hz: float
) -> None:
    time_s = draw.times((2 * up_s + hold_s + 1.5) * len(tops_deg) + 1.5, rate_hz)
    angle_deg = jittered(draw, draw.raises(time_s, *tops_deg, up_s=up_s, hold_s=hold_s))
    result = read(draw, time_s, angle_deg)
    assert result.dropped == ()
    assert result.remarks == ()
    assert len(result.kept) == len(tops_deg)
    for number, (one, top_deg) in enumerate(zip(result.kept, tops_deg, strict=True)):
        begins_s = 1.5 + number * (2 * up_s + hold_s + 1.5)
        assert one.held_deg == pytest.approx(top_deg, abs=2.0 + 0.01 * top_deg)
        assert one.peak_deg == pytest.approx(top_deg, abs=4.0)
        assert one.held_deg <= one.peak_deg
        assert one.start_deg == pytest.approx(0.0, abs=0.06 * top_deg + 3)
        top_s = begins_s + up_s
        assert begins_s - 0.5 < one.start_s < begins_s + 0.35 * up_s
        assert top_s - 0.2 * up_s < one.peak_s < top_s + hold_s + 0.2 * up_s
        assert top_s + hold_s + 0.6 * up_s < one.end_s < top_s + hold_s + up_s + 0.5
        assert one.start_s < one.hold_start_s < one.hold_end_s < one.end_s
        assert np.isnan(one.interval95_deg).all()
        assert one.vertical_held_deg == pytest.approx(one.held_deg)


def test_peak_speed_of_a_minimum_jerk_raise(draw: Any) -> None:
    """The fastest moment of a minimum-jerk movement is 1.875 x distance / duration (from its polynomial)."""
    time_s = draw.times(10.0)
    (one,) = read(draw, time_s, draw.raises(time_s, 120.0, up_s=2.0)).kept
    assert one.peak_speed_deg_s == pytest.approx(1.875 * 120 / 2.0, rel=0.02)


def test_limited_range_that_does_not_start_at_zero(draw: Any) -> None:
    time_s = draw.times(14.0)
    result = read(draw, time_s, jittered(draw, draw.raises(time_s, 110.0, 105.0, rest_deg=60.0)))
    assert [round(one.held_deg / 5) * 5 for one in result.kept] == [110, 105]
    assert [one.start_deg for one in result.kept] == pytest.approx([60, 60], abs=3)


def test_an_arm_that_does_not_come_down_between_raises(draw: Any) -> None:
    time_s = draw.times(18.0)
    angle_deg = draw.raises(time_s, 150.0, 145.0, 150.0, lows_deg=(0.0, 80.0, 95.0, 0.0))
    result = read(draw, time_s, jittered(draw, angle_deg))
    assert [one.start_deg for one in result.kept] == pytest.approx([0, 80, 95], abs=5)


def test_a_wobble_in_a_hold_does_not_split_it(draw: Any) -> None:
    time_s = draw.times(10.0)
    wobble = 15 * np.sin(2 * np.pi * 0.8 * time_s) * ((time_s > 3.2) & (time_s < 5.7))
    result = read(draw, time_s, jittered(draw, draw.raises(time_s, 120.0, hold_s=3.0) + wobble))
    assert len(result.kept) == 1
    assert result.dropped == ()


def test_a_catch_on_the_way_up_does_not_split_the_raise(draw: Any) -> None:
    """The arm drops by 25 of 160 deg half way, as when it hurts, and goes on."""
    time_s = draw.times(10.0)
    angle_deg = np.interp(time_s, [0, 1.5, 3, 3.5, 5, 6, 8, 10], [0, 0, 90, 65, 160, 160, 0, 0])
    result = read(draw, time_s, angle_deg)
    assert len(result.kept) == 1
    assert result.kept[0].peak_deg == pytest.approx(160, abs=2)


def test_a_raise_small_beside_the_others_is_named(draw: Any) -> None:
    time_s = draw.times(18.0)
    result = read(draw, time_s, draw.raises(time_s, 160.0, 25.0, 160.0))
    assert len(result.kept) == 2
    (small,) = result.dropped
    assert "rises by 25 deg only" in small.reason
    assert 6 < small.start_s < small.end_s < 12


@pytest.mark.parametrize(
    ("sd_deg", "correlation", "allowed"), [(2.0, 0.0, 0), (3.0, 0.0, 0), (2.0, 0.8, 0), (3.0, 0.8, 2)]
)
def test_a_resting_arm_makes_no_repetition(draw: Any, sd_deg: float, correlation: float, allowed: int) -> None:
    """20 s of jitter and slow sway of up to 6 deg, 30 times. At the worst jitter one in fifty may slip through."""
    rng = np.random.default_rng(7)
    time_s = draw.times(20.0)
    slipped = 0
    for _ in range(30):
        sway = rng.uniform(-3, 3) * np.sin(2 * np.pi * time_s / rng.uniform(10, 40) + rng.uniform(0, 6))
        result = read(draw, time_s, 12 + sway + draw.jitter(rng, time_s.size, sd_deg, correlation))
        slipped += bool(result.kept or result.dropped)
        assert result.kept or "without a raise" in result.remarks[0]
    assert slipped <= allowed


def test_slow_drift_is_no_raise_however_far(draw: Any) -> None:
    time_s = draw.times(60.0)
    assert read(draw, time_s, 20 - 20 * np.cos(2 * np.pi * time_s / 60)).kept == ()


def test_a_step_of_posture_is_no_repetition(draw: Any) -> None:
    time_s = draw.times(10.0)
    assert read(draw, time_s, 10 + 15 * draw.minimum_jerk((time_s - 5) / 0.8)).kept == ()


# --- rotation and other movements that also go the other way --------------------------------------------------------


def test_both_directions_count_from_neutral(draw: Any) -> None:
    """Out, back, in, back, twice: one curve gives the outward raises, its negative the inward ones."""
    time_s = draw.times(28.0)
    one_way = draw.raises(time_s, 60.0, -50.0, 55.0, -45.0)
    outward, inward = (read(draw, time_s, jittered(draw, sign * one_way)) for sign in (1, -1))
    assert [one.held_deg for one in outward.kept] == pytest.approx([60, 55], abs=2)
    assert [one.held_deg for one in inward.kept] == pytest.approx([50, 45], abs=2)
    for one in (*outward.kept, *inward.kept):
        assert one.start_deg == pytest.approx(0, abs=5)
    assert outward.dropped == inward.dropped == ()


def test_a_sweep_from_one_direction_to_the_other_starts_at_neutral(draw: Any) -> None:
    time_s = draw.times(20.0)
    result = read(draw, time_s, 10 + 55 * np.sin(2 * np.pi * time_s / 5))
    whole = result.kept[1:-1]
    assert len(whole) == 2
    for one in whole:
        assert one.start_deg == pytest.approx(0, abs=8)
        assert one.peak_deg == pytest.approx(65, abs=1)


@pytest.mark.parametrize("rest_deg", [0.0, 8.0])
def test_a_return_from_the_other_direction_is_no_repetition(draw: Any, rest_deg: float) -> None:
    """Three raises forwards are no extension, though the extension curve comes up to neutral between them."""
    time_s = draw.times(20.0)
    forwards = draw.raises(time_s, 150.0, 150.0, 150.0, rest_deg=-rest_deg)
    assert len(read(draw, time_s, forwards).kept) == 3
    assert read(draw, time_s, -forwards).kept == ()


def test_a_slow_motion_ramp_in_the_recording_changes_no_angle(draw: Any) -> None:
    """A phone's slow motion, 240 Hz played at 1, 1/8 and 1 times the speed: the angles stay, whatever time says."""
    real_s = draw.times(7.0, 240.0)
    angle_deg = draw.raises(real_s, 130.0)
    played_s = np.interp(real_s, [0, 2, 5, 7], [0, 2, 26, 28])
    (one,), (other,) = (read(draw, time_s, angle_deg).kept for time_s in (real_s, played_s))
    assert other.peak_deg == pytest.approx(one.peak_deg, abs=0.5)
    assert other.held_deg == pytest.approx(one.held_deg, abs=0.5)
    assert other.peak_s > one.peak_s + 3


def test_a_top_that_was_not_held_is_said(draw: Any) -> None:
    """Up in half a second and down again: half a second around the top lies well below it."""
    time_s = draw.times(6.0)
    result = read(draw, time_s, draw.raises(time_s, 170.0, up_s=0.6, hold_s=0.0))
    (one,) = result.kept
    assert one.peak_deg - one.held_deg > 9
    assert f"the held angle lies {one.peak_deg - one.held_deg:.0f} deg below the peak" in result.remarks[0]


# --- not all of it was seen -----------------------------------------------------------------------------------------


def test_recording_begins_in_a_hold(draw: Any) -> None:
    time_s = draw.times(6.0)
    result = read(draw, time_s, draw.raises(time_s + 3.2, 120.0, hold_s=1.5, rest_s=1.5))
    (one,) = result.kept
    assert one.held_deg == pytest.approx(120, abs=0.5)
    assert "the raise was not seen" in result.remarks[0]
    assert "before the first pictures" in result.remarks[0]


def test_recording_begins_on_the_way_down(draw: Any) -> None:
    time_s = draw.times(6.0)
    result = read(draw, time_s, draw.raises(time_s + 3.5, 120.0, hold_s=0.0, rest_s=1.5))
    assert result.kept == ()
    assert "before the first pictures" in result.dropped[0].reason


def test_recording_begins_on_the_way_up(draw: Any) -> None:
    """The top is seen, so its value stands; where the raise began is not known, and is not made up."""
    time_s = draw.times(6.0)
    result = read(draw, time_s, draw.raises(time_s + 2.3, 120.0))
    (one,) = result.kept
    assert one.held_deg == pytest.approx(120, abs=0.5)
    assert one.start_s == 0
    assert "the beginning of the raise was not seen" in result.remarks[0]


def test_recording_ends_in_a_hold_and_on_the_way_up(draw: Any) -> None:
    held = draw.times(4.3)
    result = read(draw, held, draw.raises(held, 120.0, hold_s=3.0))
    (one,) = result.kept
    assert one.held_deg == pytest.approx(120, abs=0.5)
    assert "the return was not seen" in result.remarks[0]
    rising = draw.times(2.6)
    result = read(draw, rising, draw.raises(rising, 120.0))
    assert result.kept == ()
    assert "after the last pictures" in result.dropped[0].reason


def test_a_top_that_falls_into_a_gap_gives_no_value(draw: Any) -> None:
    time_s = draw.times(6.0)
    angle_deg = draw.raises(time_s, 150.0, hold_s=0.0)
    angle_deg[np.abs(time_s - 3.0) < 0.35] = np.nan
    result = read(draw, time_s, angle_deg)
    assert result.kept == ()
    assert "gap" in result.dropped[0].reason


def test_a_short_gap_bridged_over_a_sharp_top_gives_no_value(draw: Any) -> None:
    """0.17 s are interpolated; that the true top was inside cannot be ruled out."""
    time_s = draw.times(6.0)
    angle_deg = draw.raises(time_s, 150.0, hold_s=0.0, up_s=1.0, rest_s=2.0)
    angle_deg[88:93] = np.nan
    result = read(draw, time_s, angle_deg)
    assert result.kept == ()
    assert "gap" in result.dropped[0].reason


def test_a_gap_in_a_hold_leaves_one_repetition_with_a_remark(draw: Any) -> None:
    time_s = draw.times(9.0)
    angle_deg = draw.raises(time_s, 150.0, hold_s=3.0)
    angle_deg[(time_s > 4.2) & (time_s < 4.8)] = np.nan
    result = read(draw, time_s, angle_deg)
    (one,) = result.kept
    assert one.held_deg == pytest.approx(150, abs=0.5)
    assert not (one.hold_start_s < 4.5 < one.hold_end_s)
    assert "gap" in result.remarks[0]


def test_a_gap_on_the_way_is_no_harm(draw: Any) -> None:
    time_s = draw.times(9.0)
    angle_deg = draw.raises(time_s, 150.0, hold_s=1.5)
    angle_deg[(time_s > 1.9) & (time_s < 2.4)] = np.nan
    result = read(draw, time_s, angle_deg)
    (one,) = result.kept
    assert one.held_deg == pytest.approx(150, abs=0.5)
    assert one.start_deg == pytest.approx(0, abs=5)


def test_raises_on_both_sides_of_a_long_gap_stay_apart(draw: Any) -> None:
    """Nothing is known of four seconds: the arm was held before them and after them, and may have come down between."""
    time_s = draw.times(14.0)
    angle_deg = draw.raises(time_s, 150.0, hold_s=8.0)
    angle_deg[(time_s > 5) & (time_s < 9)] = np.nan
    result = read(draw, time_s, angle_deg)
    assert len(result.kept) == 2
    assert "return was not seen" in result.remarks[0]
    assert "raise was not seen" in result.remarks[1]


def test_no_value_rests_on_an_untrusted_sample(draw: Any) -> None:
    """A false value inside the half window at the recording's end, where nothing is set aside, reaches no result."""
    time_s = draw.times(5.6)
    angle_deg = draw.raises(time_s, 100.0, hold_s=1.0)
    angle_deg[-3:] = 170.0
    result = read(draw, time_s, angle_deg)
    assert [round(one.peak_deg) for one in result.kept] == [100]


def test_less_than_half_a_second_of_trust_is_said(draw: Any) -> None:
    time_s = draw.times(6.0)
    angle_deg = draw.raises(time_s, 60.0, up_s=0.5, hold_s=0.5, rest_s=2.0)
    angle_deg[(np.abs(time_s - 2.45) < 0.13) | (np.abs(time_s - 3.05) < 0.13)] = np.nan
    result = read(draw, time_s, angle_deg)
    assert result.kept == ()
    assert result.dropped[0].reason


@pytest.mark.parametrize("count", [0, 1, 5, 12])
def test_next_to_nothing(draw: Any, count: int) -> None:
    result = read(draw, np.arange(count) / 30, np.full(count, 20.0))
    assert result.kept == result.dropped == ()
    assert result.remarks


def test_slow_frame_rate_is_said_and_not_read(draw: Any) -> None:
    """Five pictures a second are joined, and none is trusted."""
    time_s = draw.times(8.0, 5.0)
    result = read(draw, time_s, draw.raises(time_s, 120.0))
    assert result.kept == ()
    assert result.dropped or result.remarks


# --- relations ------------------------------------------------------------------------------------------------------

tops = st.lists(st.floats(40, 175), min_size=1, max_size=3)


@settings(max_examples=20, deadline=None)
@given(tops_deg=tops, seed=st.integers(0, 1000))
def test_time_run_backwards_turns_raise_into_return(draw: Any, tops_deg: list[float], seed: int) -> None:
    time_s = draw.times(5.5 * len(tops_deg) + 1.5)
    angle_deg = jittered(draw, draw.raises(time_s, *tops_deg), seed=seed)
    plain, backwards = read(draw, time_s, angle_deg), read(draw, time_s, angle_deg[::-1])
    assert len(plain.kept) == len(backwards.kept)
    for one, other in zip(plain.kept, backwards.kept[::-1], strict=True):
        assert one.peak_deg == pytest.approx(other.peak_deg, abs=1e-6)
        assert one.held_deg == pytest.approx(other.held_deg, abs=1e-6)
        assert one.peak_speed_deg_s == pytest.approx(other.peak_speed_deg_s, abs=1e-4)
        assert one.start_s == pytest.approx(time_s[-1] - other.end_s, abs=0.04)


@settings(max_examples=20, deadline=None)
@given(tops_deg=tops, offset=st.floats(0, 60), later_s=st.floats(0, 500))
def test_another_zero_and_a_later_start(draw: Any, tops_deg: list[float], offset: float, later_s: float) -> None:
    time_s = draw.times(5.5 * len(tops_deg) + 1.5)
    angle_deg = jittered(draw, draw.raises(time_s, *tops_deg))
    plain, moved = read(draw, time_s, angle_deg), read(draw, time_s + later_s, angle_deg + offset)
    assert len(plain.kept) == len(moved.kept)
    for one, other in zip(plain.kept, moved.kept, strict=True):
        assert other.peak_deg - one.peak_deg == pytest.approx(offset, abs=1e-6)
        assert other.held_deg - one.held_deg == pytest.approx(offset, abs=1e-6)
        # where a rise begins is a sample: the last digit of a later time may choose its neighbour, on a level foot
        moved_s = other.start_s - one.start_s - later_s
        assert abs(moved_s) < 1.5 / 30
        if abs(moved_s) < 1e-6:
            assert other.start_deg - one.start_deg == pytest.approx(offset, abs=1e-6)
        assert other.hold_start_s - one.hold_start_s == pytest.approx(later_s, abs=1e-6)


@settings(max_examples=20, deadline=None)
@given(tops_deg=tops, stretch=st.floats(0.8, 3))
def test_slower_movement_with_slower_settings(draw: Any, tops_deg: list[float], stretch: float) -> None:
    """Time is the only thing that changes: angles stay, times stretch, speeds shrink."""
    time_s = draw.times(5.5 * len(tops_deg) + 1.5)
    angle_deg = jittered(draw, draw.raises(time_s, *tops_deg))
    usual, rule = Smoothing(), RepetitionSettings()
    slow = Smoothing(
        window_s=usual.window_s * stretch,
        max_gap_s=usual.max_gap_s * stretch,
        trusted_gap_s=usual.trusted_gap_s * stretch,
        grid_hz=usual.grid_hz / stretch,
        fastest_deg_s=usual.fastest_deg_s / stretch,
        longest_island_s=usual.longest_island_s * stretch,
        hampel_half_window_s=usual.hampel_half_window_s * stretch,
    )
    slow_rule = RepetitionSettings(
        least_mean_speed_deg_s=rule.least_mean_speed_deg_s / stretch,
        onset_look_s=rule.onset_look_s * stretch,
        joined_gap_s=rule.joined_gap_s * stretch,
        calming_s=rule.calming_s * stretch,
        hold_length_s=rule.hold_length_s * stretch,
    )
    plain = read(draw, time_s, angle_deg)
    slowed = repetitions(smooth(draw.curve(time_s * stretch, angle_deg), settings=slow), settings=slow_rule)
    assert len(plain.kept) == len(slowed.kept)
    for one, other in zip(plain.kept, slowed.kept, strict=True):
        assert one.peak_deg == pytest.approx(other.peak_deg, abs=1e-5)
        assert one.held_deg == pytest.approx(other.held_deg, abs=1e-5)
        assert one.end_s * stretch == pytest.approx(other.end_s, abs=1e-6)
        assert one.peak_speed_deg_s == pytest.approx(other.peak_speed_deg_s * stretch, rel=1e-4)


@pytest.mark.parametrize(
    ("pictures", "says"), [(1, "a single picture"), (12, "lasts 0.4 s only"), (44, "lasts 1.4 s only")]
)
def test_too_short_to_hold_a_movement_is_told_as_such(draw: Any, pictures: int, says: str) -> None:
    time_s = np.arange(pictures) / 30
    result = read(draw, time_s, np.full(pictures, 87.0))
    assert result.kept == result.dropped == ()
    [remark] = result.remarks
    assert says in remark
    assert "film the whole movement" in remark
