"""Which pictures are always looked at, when those in between are, and what stands in for them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision_rom.handover import MIRRORED_LANDMARKS, Frame, Landmark
from vision_rom.pose.between import (
    FURTHEST_APART_S,
    MOST_BETWEEN,
    MOVED_TRUNKS,
    filled,
    hardly_moved,
    in_steps,
    neighbours,
)
from vision_rom.pose.landmarker import People

GREY = np.zeros((2, 2, 3), np.uint8)
TRUNK_PX = 100.0


def steps_of(times_s):
    return list(in_steps(Frame(index, float(time), GREY) for index, time in enumerate(times_s)))


@pytest.mark.parametrize(
    ("rate_hz", "pictures"),
    [(5, 1), (10, 1), (12, 1), (15, 1), (20, 2), (24, 2), (25, 2), (29.97, 3), (30, 3), (60, 4)],
)
def test_pictures_of_a_step(rate_hz, pictures):
    first, *others, _ = steps_of(np.arange(4 * rate_hz) / rate_hz)
    assert len(first) == 1
    assert {len(step) for step in others} == {pictures}


def test_a_phone_that_is_not_quite_even_is_looked_at_like_an_even_one():
    rng = np.random.default_rng(3)
    _, *others, _ = steps_of(np.arange(120) / 30 + rng.uniform(-0.0015, 0.0015, 120))
    assert {len(step) for step in others} == {3}


@given(st.lists(st.floats(0.001, 0.3), max_size=80))
def test_steps_hold_every_picture_and_are_short(gaps_s):
    times_s = np.cumsum([0.0, *gaps_s])
    steps = steps_of(times_s)
    assert [frame.index for step in steps for frame in step] == list(range(len(times_s)))
    ends_s = [step[-1].time_s for step in steps]
    for before_s, step in zip(ends_s, steps[1:], strict=False):
        assert len(step) <= MOST_BETWEEN + 1
        assert len(step) == 1 or step[-1].time_s - before_s <= FURTHEST_APART_S + 0.005


def test_nobody_has_pictures():
    assert steps_of([]) == []


def person(x_px: float = 300.0) -> np.ndarray:
    points = np.zeros((33, 3), np.float32)
    points[:, :2] = x_px, 200.0
    for side, off in (("left", 30.0), ("right", -30.0)):
        for part, down in (("shoulder", 0.0), ("elbow", 60.0), ("wrist", 110.0), ("hip", TRUNK_PX), ("ankle", 300.0)):
            points[Landmark.of(side, part), :2] = x_px + off, 200.0 + down
    return points


def people(*points: np.ndarray) -> People:
    some = np.array(points, np.float32).reshape(-1, 33, 3)
    return People(some, np.ones(some.shape[:2], np.float32), some / 500)


def with_moved(points: np.ndarray, landmark: Landmark, px: float) -> np.ndarray:
    moved = points.copy()
    moved[landmark, 1] += px
    return moved


@pytest.mark.parametrize("part", ["shoulder", "elbow", "wrist", "hip"])
@pytest.mark.parametrize("side", ["left", "right"])
def test_arms_and_trunk_count(part, side):
    landmark = Landmark.of(side, part)
    # the hips themselves change the size a little
    assert hardly_moved(people(person()), people(with_moved(person(), landmark, 0.9 * MOVED_TRUNKS * TRUNK_PX)))
    assert not hardly_moved(people(person()), people(with_moved(person(), landmark, 1.2 * MOVED_TRUNKS * TRUNK_PX)))


def test_legs_do_not_count_and_the_head_does():
    """No angle rests on the legs; the face is hidden where the landmarks of the head are."""
    for landmark, unmoved in ((Landmark.LEFT_ANKLE, True), (Landmark.NOSE, False), (Landmark.RIGHT_EAR, False)):
        assert hardly_moved(people(person()), people(with_moved(person(), landmark, 20.0))) == unmoved


def test_who_comes_or_goes_is_a_movement():
    assert not hardly_moved(people(person()), people(person(), person(700.0)))
    assert not hardly_moved(people(person(), person(700.0)), people(person()))
    assert not hardly_moved(people(person()), people(person(700.0)))
    assert not hardly_moved(people(), people(person()))
    assert hardly_moved(people(), people())


def test_one_of_two_moves():
    still, moving = person(), person(700.0)
    assert hardly_moved(people(still, moving), people(moving, still)), (
        "the order in which people are found is by chance"
    )
    assert not hardly_moved(people(still, moving), people(still, with_moved(moving, Landmark.LEFT_WRIST, 20.0)))


def test_left_and_right_exchanged_is_a_movement():
    assert not hardly_moved(people(person()), people(person()[list(MIRRORED_LANDMARKS)]))


@given(st.lists(st.booleans(), max_size=30), st.integers(0, 2**32 - 1))
def test_a_steady_movement_is_filled_in_as_it_was(between, seed):
    looked = np.array([True, *between, True])
    rng = np.random.default_rng(seed)
    time_s = np.cumsum(rng.uniform(0.01, 0.05, len(looked)))
    steady = np.array([1.0, -2.0]) * time_s[:, None] + [5.0, 0.0]
    np.testing.assert_allclose(filled(time_s, looked, steady[looked]), steady, atol=1e-9)
    any_values = rng.normal(size=(int(looked.sum()), 2)).astype(np.float32)
    found = filled(time_s, looked, any_values)
    assert found.dtype == np.float32
    np.testing.assert_array_equal(found[looked], any_values)


def test_beside_a_picture_without_the_patient_nothing_is_made_up():
    looked = np.array([True, False, True, False, False, True])
    found = filled(np.arange(6.0), looked, np.array([0.0, np.nan, 3.0]))
    np.testing.assert_array_equal(np.isnan(found), [False, True, True, True, True, False])


def test_neighbours():
    before, after = neighbours(np.array([True, False, True, True, False, False, True]))
    np.testing.assert_array_equal(before, [0, 0, 1, 2, 2, 2, 3])
    np.testing.assert_array_equal(after, [0, 1, 1, 2, 3, 3, 3])
    assert len(neighbours(np.zeros(0, np.bool_))[0]) == 0
