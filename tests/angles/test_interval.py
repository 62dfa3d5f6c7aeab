from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision_rom.angles import error_terms, jitter_sd_deg, plane_disagreement_deg, reading_interval, repetition_interval
from vision_rom.angles.interval import ErrorTerms, independent_samples, repetition_spread_deg
from vision_rom.angles.uncertainty import with_intervals
from vision_rom.angles.view import find_view
from vision_rom.handover import AngleCurve, Repetition, SmoothCurve

SQUARE = {
    "held_deg": 100.0, "kind": "elevation", "view": "front", "jitter_deg": 1.5, "samples": 15,
    "off_plane_deg": 5.0, "off_plane_sd_deg": 8.0,
}  # fmt: skip


def width(value, terms):
    low, high = repetition_interval(value, terms)
    return high - low


def terms_of(**changes):
    return error_terms(**{**SQUARE, **changes})


def test_interval_is_the_root_of_the_sum_of_squares():
    terms = ErrorTerms(jitter_deg=3.0, plane_deg=4.0, forearm_deg=0.0, network_deg=12.0, reads_low_deg=0.0)
    assert terms.sd_deg == pytest.approx(13.0)
    assert terms.interval95_deg(100.0) == pytest.approx((100 - 13 * 1.96, 100 + 13 * 1.96), abs=0.01)


def test_a_value_that_may_read_low_reaches_further_up_than_down():
    low, high = repetition_interval(165.0, terms_of(held_deg=165.0))
    assert high - 165 > 165 - low
    low, high = repetition_interval(90.0, terms_of(held_deg=90.0))
    assert high - 90 == pytest.approx(90 - low)


@pytest.mark.parametrize(
    ("calm", "worse"),
    [
        ({}, {"jitter_deg": 6.0}),
        ({}, {"samples": 2}),
        ({"held_deg": 130.0}, {"held_deg": 130.0, "off_plane_deg": 35.0}),
        ({"held_deg": 130.0, "off_plane_deg": 35.0}, {"held_deg": 130.0, "off_plane_deg": 35.0, "off_plane_sd_deg": 15.0}),
        ({"view": "left_side"}, {"view": "left_side", "off_plane_deg": 30.0}),
        ({"view": "left_side", "held_deg": 40.0}, {"view": "left_side", "held_deg": 40.0, "direction": -1}),
        ({"kind": "axial_rotation", "held_deg": 20.0}, {"kind": "axial_rotation", "held_deg": 20.0, "forearm_share_sd": 0.1}),
        ({"kind": "axial_rotation", "held_deg": 20.0}, {"kind": "axial_rotation", "held_deg": 20.0, "off_plane_sd_deg": 20.0}),
        ({}, {"kind": "axial_rotation"}),
    ],
)  # fmt: skip
def test_what_is_known_less_well_gets_a_wider_interval(calm, worse):
    assert width(0.0, terms_of(**worse)) > width(0.0, terms_of(**calm))


def test_plane_costs_nothing_at_90():
    assert terms_of(held_deg=90.0, off_plane_deg=30.0).plane_deg == pytest.approx(0, abs=1e-9)


@given(
    held=st.floats(-20, 190), jitter=st.floats(0, 10), samples=st.integers(1, 60), off=st.floats(0, 50), sd=st.floats(0, 20),
    kind=st.sampled_from(["elevation", "axial_rotation"]), direction=st.sampled_from([1, -1]),
    view=st.sampled_from(["front", "back", "left_side", "right_side", "oblique"]),
)  # fmt: skip
def test_interval_always_holds_its_value(held, jitter, samples, off, sd, kind, direction, view):
    terms = error_terms(
        held_deg=held, kind=kind, view=view, jitter_deg=jitter, samples=samples, off_plane_deg=off, off_plane_sd_deg=sd,
        direction=direction,
    )  # fmt: skip
    low, high = repetition_interval(held, terms)
    assert low < held < high
    reading_low, reading_high = reading_interval([held, held + 2, held - 1], [terms] * 3)
    assert reading_low < held + 1 / 3 < reading_high


def test_unknown_turn_gives_no_interval_rather_than_a_narrow_one():
    assert np.isnan(repetition_interval(90.0, terms_of(off_plane_deg=float("nan")))).all()


def test_jitter_of_a_hold_by_simulation():
    noise = np.random.default_rng(8).normal(0, 2.0, 4000)
    noise[::50] += 60.0
    assert jitter_sd_deg(noise + 100, np.full(4000, 100.0)) == pytest.approx(2.0, rel=0.06)
    assert np.isnan(jitter_sd_deg([1.0, np.nan], [1.0, 1.0]))


def test_correlated_samples_are_worth_fewer_by_simulation():
    # mean of 60 values of a first-order process with correlation 0.8, against the rule's number of independent ones
    rng = np.random.default_rng(1)
    shocks = rng.normal(0, 1, (4000, 200))
    process = np.zeros_like(shocks)
    for i in range(1, 200):
        process[:, i] = 0.8 * process[:, i - 1] + shocks[:, i]
    tail = process[:, -60:]
    assert np.var(tail) / np.var(tail.mean(axis=1)) == pytest.approx(independent_samples(60), rel=0.2)
    assert independent_samples(60, frame_rate_hz=120.0) < independent_samples(60)
    assert independent_samples(1) == 1


def test_spread_is_never_claimed_from_luck():
    assert repetition_spread_deg([100.0]) == pytest.approx(3.0)
    assert 2.0 < repetition_spread_deg([100.0, 100.0]) < 3.0
    assert repetition_spread_deg([90.0, 110.0, 100.0]) > 5
    many = np.random.default_rng(0).normal(0, 6.0, 4000)
    assert repetition_spread_deg(list(many)) == pytest.approx(6.0, rel=0.05)


def test_more_repetitions_narrow_only_what_is_chance():
    one = terms_of()
    single = reading_interval([100.0], [one])
    five = reading_interval([100.0] * 5, [one] * 5)
    hundred = reading_interval([100.0] * 100, [one] * 100)
    assert single[0] < five[0] < hundred[0]
    floor = 1.96 * np.hypot(one.plane_deg, one.network_deg)
    assert 100 - hundred[0] == pytest.approx(floor, rel=0.02)


def test_scattered_repetitions_widen_the_reading():
    terms = [terms_of()] * 3
    calm, scattered = reading_interval([100, 101, 99], terms), reading_interval([80, 120, 100], terms)
    assert scattered[1] - scattered[0] > calm[1] - calm[0]


def test_no_repetition_no_interval_and_unequal_lists_are_refused():
    assert np.isnan(reading_interval([], [])).all()
    assert np.isnan(reading_interval([float("nan")], [terms_of()])).all()
    with pytest.raises(ValueError, match="one entry per repetition"):
        reading_interval([1.0, 2.0], [terms_of()])


def noisy_hold(draw, jitter_deg):
    rng = np.random.default_rng(3)
    time = np.arange(120) / 30
    true = np.full(120, 110.0)
    raw = AngleCurve("abduction", "left", time, true + rng.normal(0, jitter_deg, 120), true, np.ones(120))
    curve = SmoothCurve(
        source=raw, time_s=time, angle_deg=true, vertical_deg=true, speed_deg_s=np.zeros(120),
        trusted=np.ones(120, bool), outliers=np.zeros(120, bool), window_s=0.37, order=3,
    )  # fmt: skip
    nan = float("nan")
    repetition = Repetition(0.0, 2.0, 4.0, 110.0, 110.0, 5.0, 60.0, (nan, nan), 1.5, 2.5)
    seen = draw(elevation_deg=np.full(20, 5.0))
    view = find_view(seen.px, seen.visibility, seen.world_m, network="")
    plane = plane_disagreement_deg(side="left", plane="frontal", facing_deg=view.facing_deg, facing_sd_deg=view.sd_deg)
    return [repetition, repetition], curve, {"kind": "elevation", "view": view, "plane": plane}


def test_repetitions_of_a_curve_are_filled_from_their_own_holds(draw):
    repetitions, curve, how = noisy_hold(draw, 1.0)
    out = with_intervals(repetitions, curve, **how)
    assert len(out.repetitions) == len(out.terms) == 2
    low, high = out.repetitions[0].interval95_deg
    assert low < 110 < high
    assert out.reading95_deg[0] < 110 < out.reading95_deg[1]
    loud = with_intervals(*noisy_hold(draw, 8.0)[:2], **how)
    assert loud.terms[0].jitter_deg > 4 * out.terms[0].jitter_deg


def test_an_elevation_needs_its_plane(draw):
    repetitions, curve, how = noisy_hold(draw, 1.0)
    with pytest.raises(ValueError, match="`plane`"):
        with_intervals(repetitions, curve, kind="elevation", view=how["view"])


def test_chance_shrinks_with_the_root_of_the_repetitions():
    # nothing but chance: terms without plane, forearm or network
    chance = ErrorTerms(jitter_deg=2.0, plane_deg=0.0, forearm_deg=0.0, network_deg=0.0, reads_low_deg=0.0)
    held = list(100 + 5 * np.tile([-1.0, 1.0], 200))
    low, high = reading_interval(held, [chance] * 400)
    assert (high - low) / 2 == pytest.approx(1.96 * np.hypot(5.0, 2.0) / 20, rel=0.01)


def test_direction_reaches_the_terms(draw):
    repetitions, curve, how = noisy_hold(draw, 1.0)
    how = {"kind": "axial_rotation", "view": how["view"]}
    repetitions = [replace(one, held_deg=30.0) for one in repetitions]
    outward, inward = (with_intervals(repetitions, curve, direction=sign, **how) for sign in (1, -1))
    assert inward.terms[0].reads_low_deg > outward.terms[0].reads_low_deg == 0
