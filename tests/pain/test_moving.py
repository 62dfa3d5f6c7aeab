"""What is taken off a moving arm, and not off a held one."""

from __future__ import annotations

import numpy as np
import pytest

from vision_rom.handover import AngleCurve
from vision_rom.motion import smooth
from vision_rom.pain.moving import FULL_SPEED_DEG_S, READS_LOW_DEG, as_if_held


def test_a_held_arm_stays_and_a_moving_one_is_lifted():
    time_s = np.arange(0, 6, 1 / 30)
    angle = np.interp(time_s, [0, 1, 3, 4, 6], [10, 10, 10 + 2 * 40, 90, 90 - 2 * 10])
    nothing = np.full(len(time_s), np.nan)
    curve = smooth(AngleCurve("abduction", "left", time_s, angle, nothing, np.ones(len(time_s))))
    lifted = as_if_held(curve).angle_deg - curve.angle_deg
    at = [int(np.argmin(np.abs(curve.time_s - t))) for t in (0.4, 2.0, 3.5, 5.0)]
    assert lifted[at] == pytest.approx([0, READS_LOW_DEG, 0, READS_LOW_DEG * 10 / FULL_SPEED_DEG_S], abs=0.1)
