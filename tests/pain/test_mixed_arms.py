"""The measured arm's curve where the other arm's landmarks lay on it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from vision_rom.handover import AngleCurve, Landmark, PoseModel, PoseTrack, SmoothCurve
from vision_rom.pain import PainMark
from vision_rom.pain.mixed_arms import LONGEST_BRIDGE_S, mixed_pictures, without_mixed_arms

RATE_HZ = 30.0
TIME_S = np.arange(0, 9, 1 / RATE_HZ)
TRUE_DEG = 150 * (10 * (TIME_S / 9) ** 3 - 15 * (TIME_S / 9) ** 4 + 6 * (TIME_S / 9) ** 5)
UP = (PainMark(2.0, 8.0, float("nan"), "hand signal"),)


def track(mixed):
    """Two arms a trunk's length apart, but where ``mixed`` (n,) both elbows and wrists lie on each other."""
    pixels = np.zeros((len(TIME_S), 33, 3))
    pixels[:, [Landmark.LEFT_HIP, Landmark.RIGHT_HIP], 1] = 100.0
    for part in (Landmark.LEFT_ELBOW, Landmark.LEFT_WRIST):
        pixels[:, part, 0] = np.where(mixed, 5.0, 100.0)
    known = np.ones((len(TIME_S), 33))
    model = PoseModel("pose_full", "0" * 64, "drawn")
    return PoseTrack(TIME_S, np.arange(len(TIME_S)), pixels, known, pixels / 100, 600, 600, model)


def curve(angle):
    source = AngleCurve("flexion", "left", TIME_S, angle, angle, np.ones_like(angle))
    trusted = np.ones(len(TIME_S), bool)
    return SmoothCurve(source, TIME_S, angle, angle, np.gradient(angle, TIME_S), trusted, ~trusted, 0.37, 3)


def between(start_s, end_s):
    return (start_s <= TIME_S) & (end_s >= TIME_S)


def test_across_a_short_hole_the_curve_goes_on_as_the_arm_did():
    mixed = between(4.0, 4.8)
    found = without_mixed_arms(curve(np.where(mixed, TRUE_DEG - 25, TRUE_DEG)), track(mixed), UP)
    assert found.angle_deg == pytest.approx(TRUE_DEG, abs=0.3)
    assert found.speed_deg_s[mixed] == pytest.approx(np.gradient(TRUE_DEG, TIME_S)[mixed], abs=1.5)


def test_across_a_long_hole_nothing_is_drawn():
    mixed = between(4.0, 4.0 + LONGEST_BRIDGE_S)
    found = without_mixed_arms(curve(TRUE_DEG), track(mixed), UP)
    assert np.isnan(found.angle_deg[mixed]).all()
    assert found.angle_deg[~between(3.8, 5.4)] == pytest.approx(TRUE_DEG[~between(3.8, 5.4)])


def test_what_lies_between_two_near_holes_is_not_believed():
    mixed = between(4.0, 4.2) | between(4.6, 4.8)
    strayed = np.where(between(4.0, 4.8), TRUE_DEG - 40, TRUE_DEG)
    assert without_mixed_arms(curve(strayed), track(mixed), UP).angle_deg == pytest.approx(TRUE_DEG, abs=0.3)


def test_arms_that_lie_on_each_other_while_no_hand_is_up_are_left_alone():
    everywhere = np.ones(len(TIME_S), bool)
    assert not mixed_pictures(track(everywhere), ()).any()
    assert (mixed_pictures(track(everywhere), UP) == between(2.0, 8.0)).all()
    still = curve(TRUE_DEG)
    assert without_mixed_arms(still, track(everywhere), ()) is still
    assert without_mixed_arms(still, track(~everywhere), UP) is still


def test_a_curve_that_is_unknown_before_the_hole_is_not_drawn_across_it():
    mixed = between(4.0, 4.5)
    unknown = np.where(TIME_S < 4.0, np.nan, TRUE_DEG)
    found = without_mixed_arms(replace(curve(TRUE_DEG), angle_deg=unknown), track(mixed), UP)
    assert np.isnan(found.angle_deg[mixed]).all()
