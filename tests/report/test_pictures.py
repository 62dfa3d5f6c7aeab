"""The picture of the best held angle: cut around the body, landmarks still on it, lines drawn."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from vision_rom.clip.reader import ClipReader
from vision_rom.handover import ArmMark, Landmark, PlaceReading
from vision_rom.readings import Measurement
from vision_rom.report.pictures import (
    RULER_PX,
    annotated,
    best_repetition,
    framed_on_patient,
    marked,
    peak_jpeg,
    picture_to_mark,
)
from vision_rom.synthetic.encode import steady_times_s, write_clip


def test_landmarks_stay_on_the_same_spot(make_measurement: Callable[..., Measurement]) -> None:
    landmarks = make_measurement().track.landmarks_px[0]
    picture = np.zeros((320, 240, 3), np.uint8)
    x, y = landmarks[Landmark.RIGHT_HIP, :2].astype(int)
    picture[y - 3 : y + 4, x - 3 : x + 4] = 255
    framed, moved = framed_on_patient(picture, landmarks)
    assert max(framed.shape[:2]) == 900
    at = moved[Landmark.RIGHT_HIP, :2].round().astype(int)
    assert framed[at[1], at[0]].min() > 200


def test_nobody_leaves_the_picture_as_it_is() -> None:
    picture = np.zeros((20, 30, 3), np.uint8)
    framed, _ = framed_on_patient(picture, np.full((33, 3), np.nan))
    assert framed.shape == picture.shape


def test_lines_run_along_trunk_and_arm(make_measurement: Callable[..., Measurement]) -> None:
    landmarks = make_measurement().track.landmarks_px[0]
    # lines and label have their own size in pixels: a picture as large as those that are written
    blank, landmarks = framed_on_patient(np.zeros((320, 240, 3), np.uint8), landmarks)
    drawn = annotated(blank, landmarks, side="right", movement="abduction", angle_deg=90.0)
    arm = (landmarks[Landmark.RIGHT_SHOULDER, :2] + landmarks[Landmark.RIGHT_ELBOW, :2]) / 2
    assert drawn[int(arm[1]), int(arm[0])].max() > 150
    assert blank.max() == 0
    shape = drawn.any(axis=2)
    other = annotated(blank, landmarks, side="left", movement="abduction", angle_deg=90.0).any(axis=2)
    assert (shape != other).any()


def test_best_repetition_is_the_one_held_highest(make_measurement: Callable[..., Measurement]) -> None:
    reading = make_measurement().readings[0]
    low = replace(reading.repetitions[0], held_deg=80.0)
    unknown = replace(reading.repetitions[0], held_deg=float("nan"))
    found = best_repetition(replace(reading, repetitions=(low, reading.repetitions[0], unknown)))
    assert found is reading.repetitions[0]
    assert best_repetition(replace(reading, repetitions=(unknown,))) is None


def test_a_picture_is_reached_without_decoding_all_before_it(
    make_measurement: Callable[..., Measurement], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clip = tmp_path / "raise.mp4"
    write_clip(clip, (np.full((320, 240, 3), count, np.uint8) for count in range(120)), steady_times_s(120, 30.0))

    def refused(*_: object, **__: object) -> None:
        raise AssertionError("the recording was gone through from its start")

    monkeypatch.setattr(ClipReader, "_picture_at", refused)
    measurement = make_measurement(clip_path=clip)
    assert peak_jpeg(measurement, measurement.readings[0])


def test_a_mark_has_a_ring_and_its_arm_a_line(make_measurement: Callable[..., Measurement]) -> None:
    measurement = make_measurement()
    landmarks = measurement.track.landmarks_px[0].copy()
    landmarks[Landmark.RIGHT_ELBOW, :2] = (112.0, 104.0)
    blank, landmarks = framed_on_patient(np.zeros((320, 240, 3), np.uint8), landmarks)
    drawn = marked(blank, landmarks, measurement.readings[0], angle_deg=118.0)
    elbow, shoulder = (landmarks[row, :2] for row in (Landmark.RIGHT_ELBOW, Landmark.RIGHT_SHOULDER))
    # clear of the ring
    between = 0.3 * elbow + 0.7 * shoulder
    assert drawn[int(between[1]), int(between[0])].max() > 150
    around = np.hypot(*(np.indices(drawn.shape[:2]) - elbow[::-1, None, None]))
    lit = drawn.max(axis=2) > 150
    width = max(2, round(max(blank.shape[:2]) / 240))
    assert lit[np.abs(around - 7 * width) < 1].mean() > 0.9, "all the way round"


def test_the_picture_to_mark_has_its_pixels_along_the_edges(
    make_measurement: Callable[..., Measurement], tmp_path: Path
) -> None:
    clip = tmp_path / "across.mp4"
    write_clip(clip, (np.full((320, 240, 3), 128, np.uint8) for _ in range(120)), steady_times_s(120, 30.0))
    measurement = make_measurement(clip_path=clip)
    place = PlaceReading(
        "cross_body_adduction", "right", "not_measured", "Mark it.", "shoulder_widths", start_s=1.5, end_s=2.0
    )
    written = picture_to_mark(measurement, place)
    assert written is not None
    picture = cv2.imdecode(np.frombuffer(written, np.uint8), cv2.IMREAD_GRAYSCALE)
    assert max(picture.shape) == 900 + 2 * RULER_PX
    # ticks stand evenly along the upper edge
    columns = np.flatnonzero(picture[RULER_PX - 6, RULER_PX:-RULER_PX] < 100)
    firsts = columns[np.r_[True, np.diff(columns) > 2]]
    assert len(firsts) >= 4
    assert np.ptp(np.diff(firsts)) <= 2
    for other in (replace(place, start_s=float("nan")), replace(place, status="measured")):
        assert picture_to_mark(measurement, other) is None


def test_the_result_s_picture_shows_the_mark_and_not_the_network_s_elbow(
    make_measurement: Callable[..., Measurement], tmp_path: Path
) -> None:
    clip = tmp_path / "across.mp4"
    write_clip(clip, (np.full((320, 240, 3), 128, np.uint8) for _ in range(120)), steady_times_s(120, 30.0))
    measurement = make_measurement(clip_path=clip)
    [reading] = measurement.readings
    by_hand = replace(
        reading, movement="cross_body_adduction", marks=(ArmMark("right", 2.0, (110.0, 110.0), (92.0, 100.0)),)
    )
    assert peak_jpeg(measurement, by_hand) != peak_jpeg(measurement, reading)
    moved = replace(by_hand, marks=(ArmMark("right", 2.0, (125.0, 120.0)),))
    assert peak_jpeg(measurement, by_hand) != peak_jpeg(measurement, moved)
