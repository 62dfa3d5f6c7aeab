"""What a person corrects changes the reading by what was corrected, and undone it is the first reading again."""

from __future__ import annotations

import numpy as np
import pytest

from vision_rom.errors import UsageError
from vision_rom.pain.recorded import PainAsked
from vision_rom.records.model import Clip
from vision_rom.report.document import reading_document
from vision_rom.web.again import measured_now
from vision_rom.web.correcting import (
    MovementChosen,
    PainMarked,
    PointMoved,
    RepetitionsMarked,
    checked_spans,
    in_effect,
    pain_asked,
    with_points,
)


def _repetitions(*spans: tuple[float, float]) -> dict[str, object]:
    return {"kind": "repetitions", "movement": "abduction", "side": "right", "spans": [list(one) for one in spans]}


def _pain(*marks: tuple[float, float, float | None], none: bool = False) -> dict[str, object]:
    return {"kind": "pain", "marks": [list(one) for one in marks], "none": none}


def _point(frame: int, x_px: float, y_px: float, landmark: str = "right_elbow") -> dict[str, object]:
    return {"kind": "point", "frame": frame, "landmark": landmark, "x_px": x_px, "y_px": y_px}


@pytest.fixture(scope="module")
def again(measured_once):
    """A function that measures the one recording with corrections."""

    def measure(*corrections: dict[str, object]):
        with measured_once.store() as kept:
            return measured_now(kept, kept.clip(1), corrections)

    return measure


@pytest.fixture(scope="module")
def first(again):
    return again()


@pytest.fixture(scope="module")
def spans(first) -> list[tuple[float, float]]:
    """The repetitions that the recording was read to have."""
    found = [(one.start_s, one.end_s) for one in first.readings[0].repetitions]
    assert len(found) >= 2
    return found


def test_nothing_corrected_gives_the_very_first_document(measured_once, first) -> None:
    with measured_once.store() as kept:
        clip: Clip = kept.clip(1)
        stored = kept.readings_of(clip)[0].document
    assert reading_document(first)["readings"] == stored["readings"]


def test_the_same_boundaries_give_the_same_value(again, first, spans) -> None:
    marked = again(_repetitions(*spans)).readings[0]
    assert [one.held_deg for one in marked.repetitions] == pytest.approx(
        [one.held_deg for one in first.readings[0].repetitions], abs=1e-9
    )


def test_a_moved_boundary_moves_the_repetition(again, first, spans) -> None:
    start_s, end_s = spans[0]
    moved = again(_repetitions((start_s + 0.3, end_s), *spans[1:])).readings[0].repetitions[0]
    assert moved.start_s == pytest.approx(start_s + 0.3, abs=0.04)
    assert moved.held_deg == pytest.approx(first.readings[0].repetitions[0].held_deg, abs=1e-9), (
        "the held part is inside"
    )


def test_a_boundary_before_the_top_takes_the_top_away(again, first, spans) -> None:
    first_one = first.readings[0].repetitions[0]
    cut = again(_repetitions((spans[0][0], first_one.start_s + 0.8), *spans[1:])).readings[0]
    heights = [one.held_deg for one in cut.repetitions if one.start_s < spans[1][0] - 0.1]
    assert all(height < first_one.held_deg - 10 for height in heights)


def test_a_dropped_repetition_leaves_the_others(again, first, spans) -> None:
    left = again(_repetitions(*spans[1:])).readings[0]
    others = [one.held_deg for one in first.readings[0].repetitions[1:]]
    assert [one.held_deg for one in left.repetitions] == pytest.approx(others, abs=1e-9)
    assert left.held_deg == pytest.approx(np.median(others), abs=1e-6)


def test_a_dropped_repetition_can_be_added_again(again, first, spans) -> None:
    back = again(_repetitions(*spans[1:]), _repetitions(*spans)).readings[0]
    assert back.held_deg == pytest.approx(first.readings[0].held_deg, abs=1e-9)


def test_no_repetition_left_is_no_reading(again) -> None:
    (reading,) = again(_repetitions()).readings
    assert reading.status == "not_measured"
    assert reading.reason


def test_pain_marks_make_and_move_the_painful_arc(again, first, spans) -> None:
    one = first.readings[0].repetitions[0]
    rising = (one.start_s, one.hold_start_s)
    middle_s = (rising[0] + rising[1]) / 2
    early = again(_pain((rising[0] + 0.3, middle_s, 4.0))).pain[0]
    late = again(_pain((middle_s, rising[1], 6.0))).pain[0]
    assert early != late
    curve = next(c for c in first.curves if c.source.side == "right")
    at = lambda s: float(np.interp(s, curve.time_s, curve.angle_deg))
    documents = [reading_document(again(_pain((a, b, 5.0))))["readings"][0]["painful_arc"] for a, b in
                 ((rising[0] + 0.3, middle_s), (middle_s, rising[1]))]  # fmt: skip
    assert documents[0] != documents[1]
    assert at(middle_s) > at(rising[0] + 0.3)
    assert reading_document(first)["readings"][0].get("painful_arc") != documents[0]


def test_it_did_not_hurt_is_told_apart_from_nobody_asked(again, first) -> None:
    asked = reading_document(again(_pain(none=True)))["readings"][0]["painful_arc"]
    never = reading_document(first)["readings"][0].get("painful_arc")
    assert asked != never


def test_a_moved_point_changes_the_angle_there_and_nowhere_far(again, first) -> None:
    curve = next(one.source for one in first.curves if one.source.side == "right")
    row = len(first.track.frame_index) // 3
    frame = int(first.track.frame_index[row])
    x_px, y_px = first.track.landmarks_px[row, 14, :2]
    moved = again(_point(frame, float(x_px) + 40.0, float(y_px) - 40.0))
    changed = next(one.source for one in moved.curves if one.source.side == "right")
    difference_deg = np.abs(changed.angle_deg - curve.angle_deg)
    here = int(np.argmin(np.abs(changed.time_s - first.track.time_s[row])))
    assert difference_deg[here] > 3.0
    far = np.abs(changed.time_s - first.track.time_s[row]) > 1.0
    assert np.nanmax(difference_deg[far]) < 0.05, "the scale of the whole body hardly changes"


def test_a_point_put_where_it_was_changes_nothing(again, first) -> None:
    x_px, y_px = (float(value) for value in first.track.landmarks_px[5, 14, :2])
    same = again(_point(int(first.track.frame_index[5]), x_px, y_px))
    np.testing.assert_allclose(same.track.landmarks_px, first.track.landmarks_px)
    np.testing.assert_allclose(same.track.world_m, first.track.world_m, atol=1e-9)


def test_a_moved_point_keeps_the_scale_of_the_body(first) -> None:
    point = PointMoved(
        kind="point", frame=int(first.track.frame_index[5]), landmark="right_wrist", x_px=10.0, y_px=20.0
    )
    moved = with_points(first.track, [point])
    shift_px = moved.landmarks_px[5, 16, :2] - first.track.landmarks_px[5, 16, :2]
    shift_m = moved.world_m[5, 16, :2] - first.track.world_m[5, 16, :2]
    shoulders_px = first.track.landmarks_px[5, 11, :2] - first.track.landmarks_px[5, 24, :2]
    shoulders_m = first.track.world_m[5, 11, :2] - first.track.world_m[5, 24, :2]
    assert shift_m / shift_px == pytest.approx(np.linalg.norm(shoulders_m) / np.linalg.norm(shoulders_px), rel=0.15)
    assert moved.visibility[5, 16] == 1.0
    unmoved = np.ones(len(first.track.frame_index), bool)
    unmoved[5] = False
    np.testing.assert_array_equal(moved.landmarks_px[unmoved], first.track.landmarks_px[unmoved])


def test_another_side_and_movement_are_measured_instead(again, first) -> None:
    left = again({"kind": "movement", "movement": "abduction", "side": "left"}).readings
    assert [(one.movement, one.side) for one in left] == [("abduction", "left")]
    other = again({"kind": "movement", "movement": "scaption", "side": "right"}).readings
    assert [(one.movement, one.side) for one in other] == [("scaption", "right")]
    back = again(
        {"kind": "movement", "movement": "scaption", "side": "right"},
        {"kind": "movement", "movement": "abduction", "side": "right"},
    ).readings[0]
    assert back.held_deg == pytest.approx(first.readings[0].held_deg, abs=1e-9)


ACROSS = {"kind": "movement", "movement": "cross_body_adduction", "side": "right"}


def _elbow(track, row: int, *, across: float = 0.3, shoulder: bool = False) -> dict[str, object]:
    """A mark of an elbow ``across`` shoulder widths from its shoulder towards the other one: what a person sees need not be what the arm did."""
    left, right = track.landmarks_px[row, 11, :2], track.landmarks_px[row, 12, :2]
    place = [float(value) for value in right + across * (left - right)]
    own = [float(value) for value in right] if shoulder else None
    return {"kind": "mark", "side": "right", "frame": int(track.frame_index[row]), "elbow": place, "shoulder": own}


def test_a_marked_elbow_is_read_and_a_later_one_of_the_same_position_takes_its_place(again, first) -> None:
    track = first.track
    assert again(ACROSS).readings == ()
    [reading] = again(ACROSS, _elbow(track, 20)).readings
    assert reading.status == "measured"
    assert [one.time_s for one in reading.marks] == [track.time_s[20]]
    [moved] = again(ACROSS, _elbow(track, 20), _elbow(track, 24, across=0.5)).readings
    assert [one.time_s for one in moved.marks] == [track.time_s[24]]
    assert moved.held_deg > reading.held_deg + 5.0
    late = 24 + int(2.0 / np.median(np.diff(track.time_s)))
    [both] = again(ACROSS, _elbow(track, 24, across=0.5), _elbow(track, late)).readings
    assert len(both.marks) == len(both.repetitions) == 2
    [shoulder] = again(ACROSS, _elbow(track, 20, shoulder=True)).readings
    assert shoulder.marks[0].shoulder_px is not None
    assert again(ACROSS, _elbow(track, 20), {**ACROSS, "side": "left"}).readings == (), "another movement forgets marks"


def test_marks_and_repetitions_do_not_mix(again, first) -> None:
    with pytest.raises(UsageError, match="pictures that were marked"):
        again(ACROSS, _elbow(first.track, 20), _repetitions((1.0, 3.0)) | {"movement": "cross_body_adduction"})
    with pytest.raises(UsageError, match="read without one"):
        again(_elbow(first.track, 20))


# --- what cannot be -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "bad",
    [
        _repetitions((3.0, 2.0)),
        _repetitions((2.0, 2.1)),
        _repetitions((1.0, 4.0), (3.0, 6.0)),
        _repetitions((900.0, 905.0)),
        _repetitions((-1.0, 4.0)) | {"spans": [[0.0, 900.0]]},
        _repetitions((1.0, 4.0)) | {"movement": "flexion"},
        _repetitions((1.0, 4.0)) | {"side": "left"},
        _pain((5.0, 4.0, 3.0)),
        _pain((900.0, 905.0, 3.0)),
        _pain((1.0, 2.0, 3.0), none=True),
        _point(10_000_000, 1.0, 1.0),
        {"kind": "mark", "side": "right", "frame": 10_000_000, "elbow": [1.0, 1.0]},
        {"kind": "mark", "side": "right", "frame": 0, "elbow": [-5.0, 1.0]},
        {"kind": "movement", "movement": "somersault", "side": "right"},
    ],
)
def test_a_correction_that_cannot_be_gives_one_sentence(again, bad: dict[str, object]) -> None:
    with pytest.raises(UsageError) as refusal:
        again(bad)
    assert str(refusal.value).rstrip().endswith((".", "'"))
    assert "\n" not in str(refusal.value)


def test_spans_are_put_in_order() -> None:
    assert checked_spans([(5.0, 6.0), (1.0, 2.0)]) == ((1.0, 2.0), (5.0, 6.0))
    assert checked_spans([(1.0, 2.0), (2.0, 3.0)]) == ((1.0, 2.0), (2.0, 3.0))


def test_the_last_correction_of_a_kind_counts_and_a_new_movement_forgets_boundaries() -> None:
    marked = RepetitionsMarked(kind="repetitions", movement="abduction", side="right", spans=((1.0, 2.0),))
    later = marked.model_copy(update={"spans": ((3.0, 4.0),)})
    pain = [PainMarked(kind="pain", marks=((1.0, 2.0, score),)) for score in (1.0, 2.0)]
    chosen = MovementChosen(kind="movement", movement="scaption", side="left")
    found = in_effect([marked, *pain, later])
    assert found.marked == {("abduction", "right"): ((3.0, 4.0),)}
    assert found.pain == pain[1]
    after = in_effect([marked, pain[0], chosen])
    assert (after.movement, after.side, after.marked, after.pain) == ("scaption", "left", {}, pain[0])


def test_no_marks_and_pain_at_rest_are_handed_on() -> None:
    first = PainAsked(typed=("0.5-0.9:2",), at_rest=3.0)
    assert pain_asked(None, first) == first
    asked = pain_asked(PainMarked(kind="pain", marks=((1.0, 2.5, None), (3.0, 4.0, 7.0))), first)
    assert asked == PainAsked(typed=("1.000-2.500", "3.000-4.000:7"), at_rest=3.0)
    assert pain_asked(PainMarked(kind="pain", marks=(), none=True), first) == PainAsked(none=True, at_rest=3.0)
