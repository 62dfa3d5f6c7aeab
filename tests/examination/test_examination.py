"""A whole examination of one rendered person, from landmarks to named segments and readings."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from rich.console import Console

from vision_rom.angles import find_view
from vision_rom.angles.across_body import LINES, NETWORK_SHOULDER
from vision_rom.examination import examine_landmarks, measure_recording, segments_in, total_arcs
from vision_rom.handover import MIRRORED_LANDMARKS, ArmMark, Clip, Landmark, PersonFacts, PoseTrack, Reading, Step
from vision_rom.marked import ACROSS, with_marks
from vision_rom.movements.sequences import read_sequence
from vision_rom.parts import part_of, stretch_around
from vision_rom.places import in_cm
from vision_rom.report.document import check_document, reading_document
from vision_rom.report.examination import examination_rows, examination_table
from vision_rom.report.screen import print_measurement

HERE = Path(__file__).parent
TRUE = pd.read_csv(HERE / "seen_60002_segments.csv")


@pytest.fixture(scope="module")
def track(kept_examination: PoseTrack) -> PoseTrack:
    return kept_examination


@pytest.fixture(scope="module")
def clip() -> Clip:
    return Clip(Path("examination.mp4"), "0" * 64, 174.8, 2622, 15.0, False, 0, False, 384, 512)


@pytest.fixture(scope="module")
def segments(track):
    return segments_in(track)


@pytest.fixture(scope="module")
def measured(clip, track, segments):
    return examine_landmarks(clip, track, segments=segments)


def found_for(row, segments):
    return [
        one
        for one in segments
        if one.side == row.side and min(one.end_s, row.end_s) - max(one.start_s, row.start_s) > 0.3
    ]


def test_every_movement_is_named_right_and_nothing_else_is(segments):
    assert len(segments) == len(TRUE)
    for row in TRUE.itertuples():
        [one] = found_for(row, segments)
        assert one.movement == row.movement


def test_limits_lie_within_three_tenths_of_a_second(segments):
    errors = []
    for row in TRUE.itertuples():
        [one] = found_for(row, segments)
        errors += [one.start_s - row.start_s, one.end_s - row.end_s]
    assert np.mean(np.abs(errors) <= 0.3) >= 0.95


def test_a_mirrored_recording_exchanges_the_sides_and_nothing_else(track, segments):
    order = list(MIRRORED_LANDMARKS)
    px, world = track.landmarks_px[:, order].copy(), track.world_m[:, order].copy()
    px[..., 0] = track.width_px - px[..., 0]
    world[..., 0] *= -1
    mirrored = segments_in(replace(track, landmarks_px=px, world_m=world, visibility=track.visibility[:, order]))
    other = {"left": "right", "right": "left"}
    assert sorted((one.movement, other[one.side], round(one.start_s, 1)) for one in mirrored) == sorted(
        (one.movement, one.side, round(one.start_s, 1)) for one in segments
    )


def test_time_that_starts_later_moves_everything_by_as_much(track, segments):
    later = segments_in(replace(track, time_s=track.time_s + 100.0))
    assert [(one.movement, one.side) for one in later] == [(one.movement, one.side) for one in segments]
    assert [one.start_s - 100.0 for one in later] == pytest.approx([one.start_s for one in segments])


def test_readings_lie_near_the_truth_and_mostly_inside_their_interval(measured):
    true = {(row.movement, row.side): row.true for row in pd.read_csv(HERE / "seen_60002_readings.csv").itertuples()}
    readings = [one for one in measured.readings if one.status == "measured" and (one.movement, one.side) in true]
    assert len(readings) >= 14
    errors = [one.held_deg - true[one.movement, one.side] for one in readings]
    assert np.mean(np.abs(errors)) < 4.0
    holds = [one.interval95_deg[0] <= true[one.movement, one.side] <= one.interval95_deg[1] for one in readings]
    assert np.mean(holds) > 0.85


def test_the_hand_on_the_back_is_a_ratio_in_a_zone(measured):
    hands = [one for one in measured.places if one.movement == "hand_behind_back"]
    assert {one.side for one in hands} == {"left", "right"}
    for one in hands:
        assert one.unit == "ratio"
        assert 0.4 < one.value < 1.0
        assert one.interval95[0] < one.value < one.interval95[1]
        assert one.zone


def across_of(measurement):
    return [one for one in measurement.places if one.movement == "cross_body_adduction"]


def test_across_the_body_is_recognised_and_waits_for_a_mark(measured):
    across = across_of(measured)
    assert [one.status for one in across] == ["not_measured"] * 2
    for one in across:
        [start_s, end_s] = TRUE[(TRUE.movement == one.movement) & (TRUE.side == one.side)][["start_s", "end_s"]].values[
            0
        ]
        assert start_s < one.start_s < one.end_s < end_s, "the picture to mark is one of this movement"
        assert f"--mark {one.side}_elbow@" in (one.reason or "")
    rows = {one.movement: one for one in examination_rows(measured)}
    assert rows["cross_body_adduction"].right == "not measured"


def marks_of(measured, track):
    """Marks as the true distance has them, through the line itself: where a perfect eye would put the elbow, within what the line leaves."""
    true = {
        row.side: row.true
        for row in pd.read_csv(HERE / "seen_60002_readings.csv").itertuples()
        if row.movement == ACROSS
    }
    marks = []
    for one in across_of(measured):
        at_s = (one.start_s + one.end_s) / 2
        piece = stretch_around(track, at_s)
        view = find_view(piece.landmarks_px, piece.visibility, piece.world_m, network=piece.model.name)
        own = 1.0 if one.side == "right" else -1.0
        line = LINES[NETWORK_SHOULDER][1]
        place = (true[one.side] - line.at_zero - line.per_turn_deg * own * view.facing_deg) / line.per_width
        row = int(np.abs(piece.time_s - at_s).argmin())
        shoulders = piece.landmarks_px[:, [Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER], :2]
        width_px = np.median(np.linalg.norm(np.diff(shoulders[view.rest], axis=1)[:, 0], axis=1))
        x, y = piece.landmarks_px[row, Landmark.of(one.side, "shoulder"), :2]
        marks.append(ArmMark(one.side, at_s, (float(x - own * place * width_px), float(y))))
    return marks, true


def test_marked_elbows_give_both_sides_angle_and_distance(clip, track, segments, measured):
    marks, true = marks_of(measured, track)
    read = with_marks(replace(measured, person=PersonFacts(age=18, sex="male")), marks)
    for place in across_of(read):
        assert place.status == "measured"
        assert place.value == pytest.approx(true[place.side], abs=0.05)
        assert place.interval95[0] < place.value < place.interval95[1]
    angles = [one for one in read.readings if one.movement == ACROSS]
    assert [one.side for one in angles] == ["left", "right"]
    for one in angles:
        assert 90.0 < one.held_deg < 155.0
        assert one.marks
        assert "marked by hand" in one.remarks[0]
    others = [one for one in read.readings if one.movement != ACROSS]
    assert tuple(others) == measured.readings
    [row] = [one for one in examination_rows(read) if one.movement == ACROSS]
    assert "°" in row.right
    assert "widths" in row.right
    assert row.difference.count("±") == 2
    assert row.textbook == "135 (AAOS 1965)"
    assert "Boone" in row.usual
    check_document(reading_document(read))
    lengths = tuple(in_cm(one, 175.0, track) for one in read.places)
    [row] = [one for one in examination_rows(replace(read, places=lengths)) if one.movement == ACROSS]
    assert "cm)" in row.left
    assert "Vairo" in row.usual


def test_a_mark_when_nobody_faced_the_camera_is_refused_with_the_reason(track, measured):
    sideways = next(one for one in measured.segments if one.view.endswith("side"))
    mark = ArmMark("right", (sideways.start_s + sideways.end_s) / 2, (200.0, 200.0))
    [place] = [one for one in across_of(with_marks(measured, [mark])) if one.side == "right"]
    assert "from the front" in (place.reason or "")


def test_several_marks_of_a_side_are_repetitions_and_one_that_cannot_be_read_is_left_out(track, measured):
    (mark, _), _ = marks_of(measured, track)
    later = replace(mark, time_s=mark.time_s + 0.2, elbow_px=(mark.elbow_px[0] + 2.0, mark.elbow_px[1]))
    wrong = replace(mark, time_s=mark.time_s + 0.4, elbow_px=(5.0, 5.0))
    one, two, three = (
        next(one for one in with_marks(measured, marks).readings if one.movement == ACROSS)
        for marks in ([mark], [mark, later], [mark, later, wrong])
    )
    assert len(two.repetitions) == len(two.marks) == 2
    assert two.held_deg == pytest.approx(np.mean([r.held_deg for r in two.repetitions]))
    half = [(r.interval95_deg[1] - r.interval95_deg[0]) / 2 for r in (one, two)]
    assert half[0] == pytest.approx(half[1]), "one person's marks may err alike"
    assert three.held_deg == two.held_deg
    assert "left out" in three.remarks[-1]


def test_the_reading_document_keeps_its_contract(measured):
    document = reading_document(measured)
    check_document(document)
    assert {one["movement"] for one in document["places"]} >= {"hand_behind_back", "rotation_arc_90"}
    assert len(document["segments"]) == len(TRUE)


def test_the_table_has_a_row_for_every_movement_shown(measured):
    rows = {
        one.movement: one for one in examination_rows(replace(measured, person=PersonFacts(40.0, "female", "left")))
    }
    assert set(rows) == {*TRUE["movement"], "rotation_arc_90"}
    assert rows["internal_rotation_90"].right == "missing"
    assert "°" in rows["abduction"].difference
    assert "dominant" in rows["external_rotation_90"].usual


def test_the_table_of_segments_tells_rest_too(measured, segments):
    table = examination_table(measured)
    assert (table["movement"] == "rest").sum() >= 10
    assert len(table) == len(segments) + (table["movement"] == "rest").sum()
    assert table["start_s"].is_monotonic_increasing
    assert (table["end_s"] > table["start_s"]).all()


def test_the_terminal_shows_the_table_and_the_caution(measured):
    console = Console(record=True, width=200, file=io.StringIO())
    print_measurement(replace(measured, person=PersonFacts(40.0, "female", "left")), console)
    text = console.export_text()
    assert "right - left" in text
    assert "Healthy people, abduction" in text
    assert "Not a diagnosis" in text
    assert "Missing: internal rotation 90" in text


def test_what_one_side_did_not_show_is_told_missing(measured):
    assert measured.missing == ("Missing: internal rotation 90 was shown by one side only; the right side is missing.",)


def test_a_named_sequence_tells_what_it_expected(clip, track):
    order = (*read_sequence("shoulder_active"), Step("elbow_flexion", "both"))
    told = examine_landmarks(clip, track, order=order)
    assert told.missing == ("Missing: internal rotation 90, right, was expected and not recognised in the recording.",)


def test_only_expected_movements_are_named(track):
    names = {one.movement for one in segments_in(track, order=(Step("flexion", "both"), Step("extension", "both")))}
    assert names <= {"flexion", "extension", "unknown"}
    assert {"flexion", "extension"} <= names


def test_curves_have_a_row_for_every_picture_and_know_their_piece(measured, track):
    for curve in measured.curves:
        assert curve.source.angle_deg.shape == track.time_s.shape
        known = track.time_s[np.isfinite(curve.source.angle_deg)]
        assert known[0] >= curve.time_s[0] - 0.1
        assert known[-1] <= curve.time_s[-1] + 0.1


def test_one_movement_alone_is_measured_as_before(clip, track):
    piece = part_of(track, 109.9, 116.0)
    alone = measure_recording(clip, piece)
    assert [one.movement for one in alone.readings] == ["flexion"]
    assert alone.segments == ()


def test_a_rotation_that_nobody_named_is_recognised(clip, track):
    alone = measure_recording(clip, part_of(track, 32.5, 39.6))
    assert "External rotation" in alone.choice
    assert "recognised" in alone.choice


def test_several_movements_make_it_an_examination(clip, track):
    several = measure_recording(clip, part_of(track, 0.0, 40.0))
    assert {one.movement for one in several.readings} == {"abduction", "external_rotation"}
    assert several.segments


def test_nothing_is_made_of_nobody(clip, track):
    empty = replace(
        track,
        landmarks_px=np.full_like(track.landmarks_px, np.nan),
        world_m=np.full_like(track.world_m, np.nan),
        visibility=np.full_like(track.visibility, np.nan),
    )
    assert segments_in(empty) == ()
    assert all(one.status == "not_measured" for one in measure_recording(clip, empty).readings)


def reading(movement: str, held_deg: float, half_deg: float = 3.0, status: str = "measured") -> Reading:
    return Reading(
        "shoulder", movement, "left", status, None if status == "measured" else "hidden", "left_side", 0.0,  # type: ignore[arg-type]
        held_deg=held_deg, interval95_deg=(held_deg - half_deg, held_deg + half_deg),
    )  # fmt: skip


def test_the_total_arc_is_a_sum_with_the_root_of_the_squares():
    [arc] = total_arcs([reading("external_rotation_90", 80.0, 3.0), reading("internal_rotation_90", 50.0, 4.0)])
    assert (arc.movement, arc.unit, arc.value, arc.interval95) == ("rotation_arc_90", "deg", 130.0, (125.0, 135.0))


def test_half_an_arc_is_none():
    [arc] = total_arcs(
        [reading("external_rotation_90", 80.0), reading("internal_rotation_90", 50.0, status="not_measured")]
    )
    assert arc.status == "not_measured"
    assert "internal rotation 90" in (arc.reason or "")


def test_with_a_known_camera_every_movement_has_its_value_against_a_level_vertical(clip, track, measured):
    from vision_rom.camera.patient import CameraOfPatient
    from vision_rom.camera.placement import level_from_user
    from vision_rom.camera.use import picture_geometry
    from vision_rom.known_camera import measure_with_camera

    def rolled(roll_deg: float):
        level = level_from_user(pitch_deg=0.0, roll_deg=roll_deg)
        geometry = picture_geometry(width_px=track.width_px, height_px=track.height_px, profile=None, level=level)
        return measure_with_camera(clip, track, CameraOfPatient(geometry, None, ()), order=())

    level, leaning = rolled(0.0), rolled(9.0)
    assert [(one.movement, one.side) for one in leaning.segments] == [
        (one.movement, one.side) for one in measured.segments
    ]
    plain = {(one.movement, one.side): one for one in measured.readings if one.status == "measured"}
    turned = []
    for one, straight in zip(leaning.readings, level.readings, strict=True):
        if one.status != "measured":
            continue
        # without a lens's distortion nothing but the vertical can change
        assert one.held_deg == pytest.approx(plain[one.movement, one.side].held_deg, abs=0.05)
        if one.movement in ("abduction", "flexion", "extension"):
            turned.append(abs(one.vertical_held_deg - straight.vertical_held_deg))
    assert len(turned) >= 4
    # raised in the picture's plane, an arm turns against down by as much as the phone was rolled
    assert np.median(turned) == pytest.approx(9.0, abs=1.5)
