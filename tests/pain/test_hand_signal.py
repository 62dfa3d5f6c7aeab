"""The hand signal in drawn landmarks: what is one, what is none."""

from __future__ import annotations

import numpy as np
import pytest

from vision_rom.handover import Landmark, PoseModel, PoseTrack
from vision_rom.pain import hand_signal_marks

RATE_HZ = 15.0
UPPER, FOREARM, TRUNK = 60.0, 55.0, 110.0
LIFT_S = 0.45


def track_of(upper_deg, elbow_deg, *, shake_px=0.0, visible=0.95):
    """Somebody from the front whose left arm hangs (0) or is raised sideways, elbow bent upwards by ``elbow_deg``."""
    n = len(upper_deg)
    pixels = np.zeros((n, 33, 3))
    pixels[:, :, :2] = (300.0, 200.0)
    for side, outward in (("left", 1.0), ("right", -1.0)):
        shoulder = np.array([300 + outward * 40, 200.0])
        pixels[:, Landmark.of(side, "hip"), :2] = (300 + outward * 25, 200 + TRUNK)
        pixels[:, Landmark.of(side, "shoulder"), :2] = shoulder
        raised = np.radians(upper_deg if side == "left" else np.zeros(n))
        bent = np.radians(elbow_deg if side == "left" else np.zeros(n))
        elbow = shoulder + UPPER * np.stack([outward * np.sin(raised), np.cos(raised)], axis=1)
        turn = raised + bent
        wrist = elbow + FOREARM * np.stack([outward * np.sin(turn), np.cos(turn)], axis=1)
        wrist += shake_px * np.sin(2 * np.pi * 3 * np.arange(n) / RATE_HZ)[:, None] * (side == "left")
        pixels[:, Landmark.of(side, "elbow"), :2] = elbow
        pixels[:, Landmark.of(side, "wrist"), :2] = wrist
    return PoseTrack(
        time_s=np.arange(n) / RATE_HZ,
        frame_index=np.arange(n),
        landmarks_px=pixels,
        visibility=np.full((n, 33), visible),
        world_m=pixels / 300,
        width_px=600,
        height_px=600,
        model=PoseModel("pose_full", "0" * 64, "drawn"),
    )


def up(spans, *, seconds=8.0):
    """0 to 1: how far the hand is up; it sets out at each start and sets out to go down at each end."""
    time = np.arange(0, seconds, 1 / RATE_HZ)

    def smooth(share):
        share = np.clip(share, 0, 1)
        return share**3 * (10 - 15 * share + 6 * share**2)

    return sum(
        (smooth((time - a) / LIFT_S) * smooth((b + LIFT_S - time) / LIFT_S) for a, b in spans), np.zeros_like(time)
    )


@pytest.mark.parametrize("spans", [[(2.0, 4.0)], [(1.0, 2.2), (4.0, 6.5)]])
def test_a_hand_held_up_is_marked_from_setting_out_to_setting_out_down(spans):
    share = up(spans)
    marks = hand_signal_marks(track_of(42 * share, 138 * share), measured="right")
    assert [(one.start_s, one.end_s) for one in marks] == [pytest.approx(span, abs=0.15) for span in spans]
    assert {one.source for one in marks} == {"hand signal"}


def test_the_hand_of_the_measured_arm_is_no_signal():
    share = up([(2.0, 4.0)])
    assert hand_signal_marks(track_of(42 * share, 138 * share), measured="left") == ()


@pytest.mark.parametrize(
    ("upper", "elbow", "shake"),
    [(150, 5, 0), (95, 90, 0), (60, 130, 25), (30, 60, 0), (0, 0, 0)],
    ids=["raised too", "level, forearm up", "scratching", "hand forward", "hanging"],
)
def test_other_arms_are_no_signal(upper, elbow, shake):
    share = up([(2.0, 5.0)])
    track = track_of(upper * share, elbow * share, shake_px=shake)
    assert hand_signal_marks(track, measured="right") == ()


@pytest.mark.parametrize("flicker_hz", [1.3, 2.0])
def test_a_hand_that_is_up_again_and_again_for_a_moment_is_no_signal(flicker_hz):
    """As a waving or scratching hand: the elbow bends and opens, so that no single posture lasts."""
    time = np.arange(0, 8, 1 / RATE_HZ)
    share = up([(1.5, 6.5)])
    elbow = 100 + 38 * np.sign(np.sin(2 * np.pi * flicker_hz * time))
    assert hand_signal_marks(track_of(42 * share, elbow * share), measured="right") == ()


def test_a_signal_that_the_other_arm_hides_for_a_while_is_one():
    share = up([(1.0, 6.5)])
    track = track_of(42 * share, 138 * share)
    hidden = (track.time_s > 3.0) & (track.time_s < 4.5)
    shoulder = track.landmarks_px[hidden][:, Landmark.LEFT_SHOULDER, :2]
    for part, above in (("elbow", UPPER), ("wrist", UPPER + FOREARM)):
        track.landmarks_px[hidden, Landmark.of("left", part), :2] = shoulder - [0, above]
    [mark] = hand_signal_marks(track, measured="right")
    assert (mark.start_s, mark.end_s) == pytest.approx((1.0, 6.5), abs=0.15)


def test_a_hand_out_of_view_and_nobody_at_all_give_no_mark():
    share = up([(2.0, 4.0)])
    assert hand_signal_marks(track_of(42 * share, 138 * share, visible=0.2), measured="right") == ()
    nobody = track_of(42 * share, 138 * share)
    nobody.landmarks_px[:] = np.nan
    assert hand_signal_marks(nobody, measured="right") == ()
