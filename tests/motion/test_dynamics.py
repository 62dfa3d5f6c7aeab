"""Durations, smoothness and a dropping arm, against curves that were drawn."""

from __future__ import annotations

import numpy as np
import pytest

from vision_rom.handover import AngleCurve, SmoothCurve
from vision_rom.motion import repetitions, smooth
from vision_rom.motion.dynamics import lowering_remarks, spectral_arc_length, with_dynamics


def jerk(share):
    x = np.clip(share, 0, 1)
    return x**3 * (10 - 15 * x + 6 * x**2)


def curve_of(*, up_s=2.0, hold_s=1.0, down_s=2.0, top_deg=150.0, fall_s=None, from_deg=100.0) -> SmoothCurve:
    """Rest, a raise, a hold and a return; ``fall_s``: from ``from_deg`` on the arm falls in so many seconds."""
    time_s = np.arange(0, 2 + up_s + hold_s + down_s, 1 / 30)
    angle = 8 + (top_deg - 8) * jerk((time_s - 1) / up_s)
    leaves = 1 + up_s + hold_s
    down = top_deg + (8 - top_deg) * jerk((time_s - leaves) / down_s)
    if fall_s is not None:
        drops = leaves + (top_deg - from_deg) / (top_deg - 8) * down_s
        slow = top_deg + (from_deg - top_deg) * np.clip((time_s - leaves) / (drops - leaves), 0, 1)
        down = np.where(time_s < drops, slow, from_deg + (8 - from_deg) * jerk((time_s - drops) / fall_s))
    angle = np.where(time_s > leaves, down, angle)
    nothing = np.full(len(time_s), np.nan)
    return smooth(AngleCurve("abduction", "left", time_s, angle, nothing, np.ones(len(time_s))))


def of(curve):
    return with_dynamics(repetitions(curve).kept, curve)


def test_durations_are_those_of_the_drawing():
    [one] = of(curve_of())
    # nine tenths of a minimum-jerk way are made after 0.75 of its time
    assert one.hold_s == pytest.approx(1.0 + 2 * 0.25 * 2.0, abs=0.15)
    assert one.raise_s == pytest.approx(one.lower_s, abs=0.15)
    assert one.raise_s + one.hold_s + one.lower_s == pytest.approx(one.end_s - one.start_s)
    assert one.lowering_speed_deg_s == pytest.approx(1.875 * 142 / 2, rel=0.05)


def test_a_controlled_return_is_no_finding():
    curve = curve_of()
    assert lowering_remarks(of(curve), curve) == ()


def test_a_drop_from_above_ninety_is_told_with_its_angle():
    curve = curve_of(fall_s=0.35)
    [told] = lowering_remarks(of(curve), curve)
    assert "Lowering, repetition 1" in told
    assert "not a diagnosis" in told


def test_a_quick_raise_and_return_alike_are_no_drop():
    curve = curve_of(up_s=0.7, down_s=0.7)
    assert lowering_remarks(of(curve), curve) == ()


def test_a_raise_below_ninety_is_not_judged():
    curve = curve_of(top_deg=80.0, fall_s=0.3, from_deg=70.0)
    assert lowering_remarks(of(curve), curve) == ()


def test_halting_movement_is_less_smooth_than_one_stroke():
    time_s = np.arange(0, 2, 1 / 30)
    one_stroke = np.gradient(jerk(time_s / 2), time_s)
    halting = one_stroke * (1 + 0.9 * np.cos(2 * np.pi * 2.5 * time_s))
    assert spectral_arc_length(halting, 1 / 30) < spectral_arc_length(one_stroke, 1 / 30) < 0


def test_smoothness_does_not_depend_on_how_far_the_arm_goes():
    time_s = np.arange(0, 2, 1 / 30)
    speed = np.gradient(jerk(time_s / 2), time_s)
    assert spectral_arc_length(3 * speed, 1 / 30) == pytest.approx(spectral_arc_length(speed, 1 / 30))


def test_a_minimum_jerk_stroke_has_the_published_value():
    """About -1.4 for a minimum-jerk profile of usual length; Balasubramanian and others 2015, figure 3 (from memory)."""
    time_s = np.arange(0, 1, 1 / 100)
    assert spectral_arc_length(np.gradient(jerk(time_s), time_s), 1 / 100) == pytest.approx(-1.41, abs=0.05)


def test_no_movement_has_no_smoothness():
    assert np.isnan(spectral_arc_length(np.zeros(30), 1 / 30))
