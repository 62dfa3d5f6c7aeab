"""Repetitions between boundaries that a person drew, against curves whose truth is drawn by formula."""

from __future__ import annotations

import pytest

from vision_rom.motion import repetitions, repetitions_between, smooth

TOPS_DEG = (90.0, 120.0, 60.0)
CYCLE_S = 1.5 + 1.0 + 1.5 + 1.5
FIRST_S = 1.5


@pytest.fixture(scope="module")
def curve(draw):
    time_s = draw.times(FIRST_S + len(TOPS_DEG) * CYCLE_S)
    return smooth(draw.curve(time_s, draw.raises(time_s, *TOPS_DEG, hold_s=1.0)))


def _span(number: int) -> tuple[float, float]:
    start_s = FIRST_S + number * CYCLE_S
    return start_s - 0.2, start_s + 4.2


def test_each_span_reads_the_top_that_was_drawn_in_it(curve) -> None:
    found = repetitions_between(curve, [_span(number) for number in range(3)])
    assert [one.held_deg for one in found.kept] == pytest.approx(TOPS_DEG, abs=0.5)
    assert [one.start_s for one in found.kept] == pytest.approx([_span(n)[0] for n in range(3)], abs=0.05)
    assert found.dropped == ()


def test_it_agrees_with_what_is_found_without_a_person(curve) -> None:
    alone = repetitions(curve).kept
    marked = repetitions_between(curve, [(one.start_s, one.end_s) for one in alone]).kept
    assert [one.held_deg for one in marked] == pytest.approx([one.held_deg for one in alone], abs=1e-9)


@pytest.mark.parametrize("number", range(3))
def test_one_span_alone_reads_its_own_top(curve, number: int) -> None:
    (one,) = repetitions_between(curve, [_span(number)]).kept
    assert one.held_deg == pytest.approx(TOPS_DEG[number], abs=0.5)


def test_a_span_over_two_raises_reads_the_higher_one(curve) -> None:
    (one,) = repetitions_between(curve, [(_span(0)[0], _span(1)[1])]).kept
    assert one.held_deg == pytest.approx(120.0, abs=0.5)


def test_a_span_that_ends_on_the_way_up_reads_no_more_than_was_reached(curve) -> None:
    found = repetitions_between(curve, [(FIRST_S - 0.2, FIRST_S + 0.9)])
    assert all(one.held_deg < 75.0 for one in found.kept)
    assert len(found.kept) + len(found.dropped) == 1


def test_no_spans_are_no_repetitions(curve) -> None:
    found = repetitions_between(curve, [])
    assert (found.kept, found.dropped) == ((), ())


@pytest.mark.parametrize("span", [(200.0, 205.0), (3.0, 3.01)])
def test_a_span_without_angles_is_dropped_with_its_reason(curve, span: tuple[float, float]) -> None:
    found = repetitions_between(curve, [span])
    assert found.kept == ()
    assert found.dropped[0].reason
    assert (found.dropped[0].start_s, found.dropped[0].end_s) == pytest.approx(span, abs=0.05)
