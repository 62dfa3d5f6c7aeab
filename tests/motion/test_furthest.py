"""The furthest value kept for half a second, against values that were drawn."""

from __future__ import annotations

import numpy as np
import pytest

from vision_rom.motion.furthest import furthest_kept

TIMES = np.arange(0, 6, 1 / 15)


def test_a_plateau_gives_its_value_and_its_times():
    values = np.where((TIMES >= 2) & (TIMES <= 3.2), 0.6, 1.1)
    value, start_s, end_s = furthest_kept(TIMES, values, smaller_is_further=True)
    assert value == pytest.approx(0.6)
    assert 2 <= start_s < end_s <= 3.2


def test_a_single_picture_does_not_count():
    values = np.full(len(TIMES), 1.0)
    values[40] = 0.1
    assert furthest_kept(TIMES, values, smaller_is_further=True)[0] == pytest.approx(1.0)


def test_the_sign_turns_with_the_direction():
    values = np.sin(TIMES)
    low = furthest_kept(TIMES, values, smaller_is_further=True)[0]
    high = furthest_kept(TIMES, -values, smaller_is_further=False)[0]
    assert low == pytest.approx(-high)


def test_nothing_is_read_across_a_gap_or_from_too_little():
    values = np.full(len(TIMES), np.nan)
    values[::4] = 1.0
    assert np.isnan(furthest_kept(TIMES, values, smaller_is_further=True)).all()
    assert np.isnan(furthest_kept(TIMES[:2], TIMES[:2], smaller_is_further=True)).all()
