"""What an expected order makes firmer, and what it finds missing."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from vision_rom.handover import Segment, Step
from vision_rom.motion.segments import (
    joined_parts,
    missing_steps,
    named_by_order,
    one_hand_behind_back,
    one_sided,
    rest_between,
)

ORDER = (Step("abduction", "both"), Step("flexion", "both"), Step("extension", "left"))


def segment(movement, side, start_s, end_s=None, *, confidence=0.95, best_guess=None, view="front"):
    return Segment(movement, side, start_s, end_s or start_s + 3, view, confidence, best_guess or movement)


def test_what_lies_between_its_neighbours_in_the_order_is_named():
    doubtful = segment("unknown", "right", 10, best_guess="abduction", confidence=0.6)
    found = named_by_order([segment("abduction", "left", 0), doubtful, segment("flexion", "left", 20)], ORDER)
    assert [one.movement for one in found] == ["abduction", "abduction", "flexion"]


def test_what_comes_at_the_wrong_place_stays_unknown():
    doubtful = segment("unknown", "left", 10, best_guess="extension", confidence=0.6)
    found = named_by_order([segment("abduction", "left", 0), doubtful, segment("abduction", "right", 20)], ORDER)
    assert found[1].movement == "unknown"


def test_what_was_not_expected_stays_unknown():
    doubtful = segment("unknown", "left", 10, best_guess="elbow_flexion")
    assert named_by_order([segment("abduction", "left", 0), doubtful], ORDER)[1].movement == "unknown"


def test_alone_the_order_names_nothing():
    doubtful = segment("unknown", "left", 10, best_guess="abduction")
    assert named_by_order([doubtful], ORDER) == (doubtful,)


def test_missing_steps_are_told_side_by_side():
    shown = [segment("abduction", "left", 0), segment("flexion", "right", 5)]
    assert missing_steps(shown, ORDER) == (
        Step("abduction", "right"),
        Step("flexion", "left"),
        Step("extension", "left"),
    )


def test_without_an_order_the_other_side_is_what_can_be_missing():
    shown = [segment("abduction", "left", 0), segment("abduction", "right", 5), segment("flexion", "right", 9)]
    assert one_sided(shown) == (Step("flexion", "left"),)
    assert one_sided([segment("unknown", "left", 0)]) == ()


def test_of_two_hands_behind_the_back_at_once_the_surer_stays():
    sure = segment("hand_behind_back", "left", 10, confidence=0.95)
    moved_along = segment("hand_behind_back", "right", 10.2, confidence=0.9)
    assert one_hand_behind_back([sure, moved_along]) == (sure,)


def test_one_hand_after_the_other_stay_both():
    both = (segment("hand_behind_back", "left", 10), segment("hand_behind_back", "right", 20))
    assert one_hand_behind_back(both) == both


def test_two_reaches_of_one_hand_are_one():
    first, second = segment("hand_behind_back", "left", 10), segment("hand_behind_back", "left", 15)
    [one] = joined_parts([first, second])
    assert (one.start_s, one.end_s) == (10, 18)
    assert len(joined_parts([first, segment("hand_behind_back", "left", 30)])) == 2
    assert len(joined_parts([segment("flexion", "left", 10), segment("flexion", "left", 14)])) == 2


@given(st.lists(st.tuples(st.floats(0, 50), st.floats(0.1, 10)), max_size=8))
def test_rest_and_movement_fill_the_recording(pairs):
    moving = [segment("flexion", "left", start, start + length) for start, length in pairs]
    rest = rest_between(moving, 60.0)
    grid = np.linspace(0.01, 59.99, 700)
    resting = ((grid[:, None] > rest[:, 0]) & (grid[:, None] < rest[:, 1])).any(axis=1)
    busy = np.zeros(len(grid), bool)
    for one in moving:
        busy |= (grid >= one.start_s) & (grid <= one.end_s)
    assert (resting != busy).mean() > 0.99
