"""Two arms raised together, against how far apart they were drawn."""

from __future__ import annotations

import numpy as np

from vision_rom.handover import AngleCurve, Reading
from vision_rom.motion import repetitions, smooth
from vision_rom.motion.asymmetry import asymmetry_remark


def arm(side, top_deg, *, later_s=0.0):
    time_s = np.arange(0, 6, 1 / 30)
    angle = np.interp(time_s - later_s, [1, 2.5, 3.5, 5], [8, top_deg, top_deg, 8])
    nothing = np.full(len(time_s), np.nan)
    curve = smooth(AngleCurve("abduction", side, time_s, angle, nothing, np.ones(len(time_s))))
    kept = repetitions(curve).kept
    return Reading("shoulder", "abduction", side, "measured", None, "front", 0.0, repetitions=kept), curve


def remark(left, right):
    return asymmetry_remark(left[0], right[0], left[1], right[1])


def test_arms_that_go_together_are_not_remarked():
    assert remark(arm("left", 150), arm("right", 145)) == ""


def test_the_arm_that_goes_further_is_named():
    told = remark(arm("left", 150), arm("right", 100))
    assert "left one was 50" in told or "left one was 49" in told
    assert "than the right one" in told
    assert "right one was" in remark(arm("left", 100), arm("right", 150))


def test_a_delay_shows_as_a_difference_at_one_instant():
    assert remark(arm("left", 150), arm("right", 150, later_s=0.4))


def test_one_arm_after_the_other_is_not_compared():
    assert remark(arm("left", 150), arm("right", 60, later_s=8.0)) == ""
