from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from vision_rom.pain import REACTIONS, PainMark, painful_arc
from vision_rom.pain.arc import LONGEST_HOLE_S, NOT_SEEN, TOO_FAST
from vision_rom.pain.reaction import Reaction

LAG_S = REACTIONS["typed"].lag_s
SPEED_DEG_S = 40.0


def mark(start_s, end_s, score=math.nan, source="typed"):
    """A mark of a pain that lasted from start to end: it comes later by the lag."""
    lag = REACTIONS[source].lag_s
    return PainMark(start_s + lag, end_s + lag, score, source)


def up_s(angle_deg):
    return 1.0 + angle_deg / SPEED_DEG_S


def down_s(angle_deg):
    return 10.0 - angle_deg / SPEED_DEG_S


def test_an_arc_up_and_down_comes_back_after_the_lag(curve, repetition):
    arc = painful_arc([repetition], curve, [mark(up_s(60), up_s(120), 4), mark(down_s(110), down_s(70), 6)])
    assert arc.pattern == "arc"
    assert arc.onset_raising.angle_deg == pytest.approx(60, abs=0.1)
    assert arc.end_raising.angle_deg == pytest.approx(120, abs=0.1)
    assert arc.onset_lowering.angle_deg == pytest.approx(110, abs=0.1)
    assert arc.end_lowering.angle_deg == pytest.approx(70, abs=0.1)
    assert (arc.worst_score, arc.largest_deg) == (6, 160)
    assert arc.pain_free_deg == pytest.approx(60, abs=0.2)
    low, high = arc.onset_raising.interval95_deg
    # the angle's own half-width and 0.3 s of reaction at 40 deg/s
    assert (high - low) / 2 == pytest.approx(math.hypot(4.0, 0.3 * SPEED_DEG_S), abs=0.2)
    assert any("neither proves nor excludes" in remark for remark in arc.remarks)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(low=st.floats(15, 80), wide=st.floats(5, 60))
def test_every_arc_comes_back(curve, repetition, low, wide):
    arc = painful_arc([repetition], curve, [mark(up_s(low), up_s(low + wide))])
    assert arc.onset_raising.angle_deg == pytest.approx(low, abs=0.2)
    assert arc.end_raising.angle_deg == pytest.approx(low + wide, abs=0.2)
    assert arc.repetitions[0].lowering is None


def test_pain_over_the_top_has_no_end_going_up_and_no_onset_coming_down(curve, repetition):
    arc = painful_arc([repetition], curve, [mark(up_s(100), down_s(90))])
    assert (arc.end_raising, arc.onset_lowering) == (None, None)
    assert arc.onset_raising.angle_deg == pytest.approx(100, abs=0.1)
    assert arc.end_lowering.angle_deg == pytest.approx(90, abs=0.1)


@pytest.mark.parametrize(
    ("span", "pattern"),
    [
        ((up_s(153), down_s(152)), "end of range"),
        ((up_s(4), down_s(100)), "throughout"),
        ((up_s(70), up_s(110)), "arc"),
    ],
)
def test_patterns(curve, repetition, span, pattern):
    assert painful_arc([repetition], curve, [mark(*span)]).pattern == pattern


def test_nothing_recorded_is_not_no_pain(curve, repetition):
    assert painful_arc([repetition], curve, None).pattern == "not recorded"
    asked = painful_arc([repetition], curve, [])
    assert (asked.pattern, asked.pain_free_deg) == ("none", 160)
    beside = painful_arc([repetition], curve, [PainMark(10.7, 10.9, 3, "typed")])
    assert beside.pattern == "none"
    assert beside.remarks == ("No pain mark falls into a repetition.",)


def test_an_instant_has_an_onset_and_no_end(curve, repetition):
    at = up_s(90) + LAG_S
    arc = painful_arc([repetition], curve, [PainMark(at, at, 3, "typed")])
    assert arc.onset_raising.angle_deg == pytest.approx(90, abs=0.1)
    assert arc.end_raising is None


def test_a_fast_arm_gives_no_angle(curve, repetition, monkeypatch):
    monkeypatch.setitem(REACTIONS, "typed", Reaction(LAG_S, 0.0, 1.0))
    arc = painful_arc([repetition], curve, [mark(up_s(60), up_s(120))])
    assert not arc.onset_raising.usable
    assert TOO_FAST in arc.remarks


def test_an_arm_that_was_not_seen_when_it_began_gives_no_angle(curve, repetition):
    from dataclasses import replace

    marks = [mark(up_s(60), up_s(120))]

    def with_hole(seconds):
        hidden = np.abs(curve.time_s - up_s(60)) < seconds / 2
        return painful_arc([repetition], replace(curve, angle_deg=np.where(hidden, np.nan, curve.angle_deg)), marks)

    arc = with_hole(LONGEST_HOLE_S + 0.1)
    assert not arc.onset_raising.seen
    assert not arc.onset_raising.usable
    assert np.isnan(arc.onset_raising.angle_deg)
    assert arc.end_raising.angle_deg == pytest.approx(120, abs=0.2)
    assert NOT_SEEN in arc.remarks
    assert TOO_FAST not in arc.remarks
    short = with_hole(LONGEST_HOLE_S - 0.2)
    assert short.onset_raising.angle_deg == pytest.approx(60, abs=0.2)
    assert NOT_SEEN not in short.remarks


def test_of_two_repetitions_the_one_that_was_seen_counts(curve, repetition):
    from dataclasses import replace

    later = replace(
        curve, time_s=np.concatenate([curve.time_s, curve.time_s + 11]), angle_deg=np.tile(curve.angle_deg, 2)
    )
    hidden = np.abs(later.time_s - up_s(60)) < LONGEST_HOLE_S
    later = replace(later, angle_deg=np.where(hidden, np.nan, later.angle_deg))
    second = replace(repetition, start_s=12.0, peak_s=16.5, end_s=21.0)
    marks = [mark(up_s(60), up_s(120)), mark(up_s(80) + 11, up_s(120) + 11)]
    arc = painful_arc([repetition, second], later, marks)
    assert arc.onset_raising.angle_deg == pytest.approx(80, abs=0.2)
    assert arc.onset_raising.usable


def test_repetitions_are_pooled_with_their_spread(curve, repetition):
    from dataclasses import replace

    first = replace(repetition, start_s=1.0, peak_s=5.5, end_s=10.0)
    arcs = [painful_arc([first], curve, [mark(up_s(angle), up_s(angle) + 0.5)]) for angle in (60, 100)]
    one, other = (arc.onset_raising.angle_deg for arc in arcs)
    assert other - one == pytest.approx(40, abs=0.2)


def test_the_last_part_of_raising_is_described(curve, repetition):
    from dataclasses import replace

    high = replace(repetition, held_deg=175.0, peak_deg=175.0)
    steep = replace(curve, angle_deg=curve.angle_deg * 175 / 160)
    arc = painful_arc([high], steep, [mark(4.95, 6.05)])
    assert any("acromioclavicular" in remark for remark in arc.remarks)
