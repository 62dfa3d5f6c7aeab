"""Stretches of one direction, against turns that were made."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision_rom.motion.facing import stretches

RATE_HZ = 15.0


def turned(*legs: tuple[float, float], turn_s: float = 1.5) -> tuple[np.ndarray, np.ndarray]:
    """Directions (deg) held for some seconds each, with even turns between them."""
    times, values, clock = [0.0], [legs[0][0]], 0.0
    for place, (direction, held_s) in enumerate(legs):
        if place:
            clock += turn_s
            times.append(clock)
            values.append(direction)
        clock += held_s
        times.append(clock)
        values.append(direction)
    time_s = np.arange(0, clock, 1 / RATE_HZ)
    return time_s, (np.interp(time_s, times, values) + 180) % 360 - 180


def test_views_come_in_their_order_and_turns_belong_to_none():
    found = stretches(*turned((0, 6), (90, 8), (180, 5), (270, 4)))
    assert [one.view for one in found] == ["front", "right_side", "back", "left_side"]
    assert [one.facing_deg for one in found] == pytest.approx([0, 90, -180, -90], abs=1)
    assert all(b.start_s - a.end_s > 0.3 for a, b in itertools.pairwise(found))


@given(st.floats(-180, 180), st.integers(0, 1000))
def test_nobody_turns_by_swaying(direction, seed):
    time_s, facing = turned((direction, 12))
    sway = np.random.default_rng(seed).normal(0, 4, len(facing))
    found = stretches(time_s, (facing + sway + 180) % 360 - 180)
    assert len(found) == 1


def test_a_raised_arm_that_shifts_the_estimate_is_no_turn():
    time_s, facing = turned((0, 10))
    facing[60:90] += 15
    [one] = stretches(time_s, facing)
    assert (one.start_s, one.end_s) == (time_s[0], time_s[-1])


def test_a_stretch_too_short_to_show_anything_is_left_out():
    found = stretches(*turned((0, 5), (90, 0.3), (180, 5), turn_s=1.0))
    assert [one.view for one in found] == ["front", "back"]


def test_an_unknown_direction_gives_nothing():
    assert stretches(np.arange(5.0), np.full(5, np.nan)) == ()
    assert stretches(np.zeros(0), np.zeros(0)) == ()
