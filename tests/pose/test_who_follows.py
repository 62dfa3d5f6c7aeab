"""Who copies whom, against delays that were drawn."""

from __future__ import annotations

import numpy as np
import pytest

from vision_rom.errors import UsageError
from vision_rom.handover import Landmark
from vision_rom.pose.follow import follow
from vision_rom.pose.who_follows import follower_of, hand_height, lag_s

RATE_HZ = 10.0


def heights(delay_s: float, *, seconds: float = 60.0, seed: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """Raises of different heights and lengths, all later by a delay."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(0, seconds, 1 / RATE_HZ)
    values, at = np.zeros(len(time_s)), 2.0
    while at < seconds - 10:
        top, length = rng.uniform(0.5, 2.0), rng.uniform(2.0, 4.0)
        inside = np.clip((time_s - delay_s - at) / length, 0, 1)
        values += top * np.sin(np.pi * inside) ** 2
        at += length + rng.uniform(5.0, 8.0)
    return time_s, values + rng.normal(0, 0.02, len(values))


@pytest.mark.parametrize("delay_s", [1.0, 3.0, -2.0])
def test_the_delay_comes_back_with_its_sign(delay_s):
    lag, likeness = lag_s(*heights(0.0), *heights(delay_s))
    assert lag == pytest.approx(delay_s, abs=0.3)
    assert likeness > 0.9


def test_the_one_who_comes_later_follows():
    (time, first), (_, second) = heights(0.0), heights(2.5)
    assert follower_of([time, time], [first, second]) == 1
    assert follower_of([time, time], [second, first]) == 0


def test_two_who_move_together_or_each_for_himself_follow_nobody():
    (time, first), (_, together), (_, other) = heights(0.0), heights(0.1), heights(0.0, seed=3)
    assert follower_of([time, time], [first, together]) is None
    assert follower_of([time, time], [first, np.zeros(len(time))]) is None
    lag, likeness = lag_s(time, first, time, other)
    assert likeness < 0.9 or abs(lag) > 0


def test_too_little_in_common_tells_nothing():
    time, values = heights(0.0, seconds=15.0)
    assert np.isnan(lag_s(time[:20], values[:20], time[:20], values[:20])).all()


def test_a_hand_overhead_is_high_and_a_hanging_one_low():
    points = np.zeros((1, len(Landmark), 3))
    points[:, [Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER], 1] = 100
    points[:, [Landmark.LEFT_HIP, Landmark.RIGHT_HIP], 1] = 200
    points[:, [Landmark.LEFT_WRIST, Landmark.RIGHT_WRIST], 1] = 200
    assert hand_height(points) == pytest.approx([0.0])
    points[:, Landmark.LEFT_WRIST, 1] = 0
    assert hand_height(points) == pytest.approx([2.0])


def two_people(first, second):
    count = len(first)
    places = [np.array([[200.0, 300.0], [440.0, 300.0]])] * count
    sizes = [np.array([100.0, 100.0])] * count
    hands = [np.array([a, b]) for a, b in zip(first, second, strict=True)]
    return places, sizes, hands


@pytest.mark.parametrize(("role", "row"), [("follower", 1), ("leader", 0)])
def test_the_patient_is_who_was_named_by_role(role, row):
    (time, first), (_, second) = heights(0.0), heights(2.0)
    places, sizes, hands = two_people(first, second)
    found = follow(time, places, sizes, width_px=640, height_px=480, person=role, hands=hands)
    assert set(found.choice.tolist()) == {row}


def test_where_nobody_copies_the_user_is_asked_for_a_number():
    time, values = heights(0.0)
    places, sizes, hands = two_people(values, np.zeros(len(values)))
    with pytest.raises(UsageError, match="--person 1"):
        follow(time, places, sizes, width_px=640, height_px=480, person="follower", hands=hands)
