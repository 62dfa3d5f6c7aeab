"""Trunk lean and elbow bend in drawn landmarks, against the angles they were drawn with."""

from __future__ import annotations

import numpy as np
import pytest

from vision_rom.handover import Landmark, PoseModel, PoseTrack, Repetition
from vision_rom.motion.compensations import compensations

REPETITION = Repetition(1.0, 2.5, 4.0, 150.0, 150.0, 5.0, 60.0, (145.0, 155.0), 2.25, 2.75)


def track_of(*, lean_deg=0.0, elbow_deg=0.0, always_deg=0.0, mirrored=False) -> PoseTrack:
    """Somebody from the front who raises the left arm; in the hold the trunk leans to the own right by ``lean_deg``."""
    time_s = np.arange(0, 5, 1 / 15)
    effort = np.clip(np.minimum(time_s - 1.0, 4.0 - time_s), 0, 1)
    lean = np.radians(always_deg + lean_deg * effort)
    n = len(time_s)
    px = np.zeros((n, 33, 3))
    hips = np.array([300.0, 400.0])
    # the patient's right is the picture's left
    up = np.stack([-np.sin(lean), -np.cos(lean)], axis=1)
    across = np.stack([np.cos(lean), -np.sin(lean)], axis=1)
    shoulders = hips + 150 * up
    raised = np.radians(5 + 145 * effort)
    bend = np.radians(elbow_deg * effort)
    for side, sign in (("left", 1.0), ("right", -1.0)):
        px[:, Landmark.of(side, "hip"), :2] = hips + [sign * 30, 0]
        shoulder = shoulders + sign * 50 * across
        px[:, Landmark.of(side, "shoulder"), :2] = shoulder
        turn = raised if side == "left" else np.full(n, np.radians(5))
        elbow = shoulder + 80 * np.stack([sign * np.sin(turn), np.cos(turn)], axis=1)
        turn = turn + (bend if side == "left" else 0)
        px[:, Landmark.of(side, "elbow"), :2] = elbow
        px[:, Landmark.of(side, "wrist"), :2] = elbow + 70 * np.stack([sign * np.sin(turn), np.cos(turn)], axis=1)
    if mirrored:
        px[..., 0] = 600 - px[..., 0]
    return PoseTrack(
        time_s, np.arange(n), px, np.ones((n, 33)), px / 300, 600, 600, PoseModel("pose_full", "0", "drawn")
    )


def seen(track, **options):
    return {one.name: one for one in compensations(track, [REPETITION], side="left", **{"view": "front", **options})}


@pytest.mark.parametrize("lean_deg", [-12.0, 0.0, 7.0, 15.0])
def test_a_lean_comes_back_with_its_way(lean_deg):
    lean = seen(track_of(lean_deg=lean_deg))["trunk lean"]
    assert lean.size == pytest.approx(lean_deg, abs=0.5)
    assert lean.told == (abs(lean_deg) >= 5)
    if lean_deg:
        assert lean.way == ("away from the moving arm" if lean_deg > 0 else "towards the moving arm")
        assert lean.way in lean.in_words()


def test_seen_from_behind_the_way_is_the_same():
    assert seen(track_of(lean_deg=12.0, mirrored=True), view="back")["trunk lean"].size == pytest.approx(12.0, abs=0.5)


def test_who_always_stands_crooked_compensates_nothing():
    assert seen(track_of(always_deg=10.0))["trunk lean"].size == pytest.approx(0.0, abs=0.3)


@pytest.mark.parametrize(("elbow_deg", "told"), [(40.0, True), (10.0, False)])
def test_an_elbow_that_bends_in_the_hold(elbow_deg, told):
    bend = seen(track_of(elbow_deg=elbow_deg))["elbow bend"]
    assert bend.size == pytest.approx(elbow_deg, abs=1.0)
    assert bend.told == told


def test_nothing_to_see_gives_nothing():
    track = track_of()
    assert compensations(track, [], side="left", view="front") == ()
    track.landmarks_px[:] = np.nan
    assert compensations(track, [REPETITION], side="left", view="front") == ()
    assert "trunk lean" not in seen(track_of(), view="oblique")
