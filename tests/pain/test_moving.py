"""What is taken off a moving arm, and not off a held one."""

from __future__ import annotations

import numpy as np
import pytest

from vision_rom.handover import AngleCurve
from vision_rom.motion import smooth
from vision_rom.pain.moving import (
    FITTED_TO_DEG,
    FULL_SPEED_DEG_S,
    LOW_PER_DEG,
    LOWERING_LOW_DEG,
    MIDDLE_DEG,
    RAISING_LOW_DEG,
    as_if_held,
    reads_low_deg,
)


def test_a_held_arm_stays_and_a_moving_one_is_lifted():
    time_s = np.arange(0, 6, 1 / 30)
    # 75 degrees, the middle of what was fitted, is passed at 2 s going up and at 5 s coming down
    angle = np.interp(time_s, [0, 1, 3, 4, 6], [35, 35, 115, 85, 65])
    angle = np.where((time_s > 3) & (time_s < 4), 115 - 30 * (time_s - 3), angle)
    nothing = np.full(len(time_s), np.nan)
    curve = smooth(AngleCurve("abduction", "left", time_s, angle, nothing, np.ones(len(time_s))))
    lifted = as_if_held(curve).angle_deg - curve.angle_deg
    at = [int(np.argmin(np.abs(curve.time_s - t))) for t in (0.4, 2.0, 5.0)]
    assert lifted[at] == pytest.approx([0, RAISING_LOW_DEG, LOWERING_LOW_DEG * 10 / FULL_SPEED_DEG_S], abs=0.1)


def test_further_up_less_is_missing_until_where_nothing_was_fitted():
    low = reads_low_deg(
        np.array([MIDDLE_DEG, MIDDLE_DEG + 10, FITTED_TO_DEG, 170.0, np.nan]), lowering=np.zeros(5, bool)
    )
    assert low[1] - low[0] == pytest.approx(10 * LOW_PER_DEG)
    assert low[3] == low[2]
    assert np.isnan(low[4])
