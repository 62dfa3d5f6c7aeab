"""Landmarks of others: published files, our own form, and what is wrong with them."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest

from vision_rom.errors import ClipDamaged, ClipMissing, UsageError, VisionRomError
from vision_rom.handover import Landmark
from vision_rom.readings import measure_landmarks
from vision_rom.research.columns import columns_of
from vision_rom.research.landmark_files import LandmarkFacts, own_json, read_landmarks
from vision_rom.research.landmark_forms import landmark_number
from vision_rom.research.rows import frame_columns
from vision_rom.research.tables import arrow_table, write_csv, write_parquet


def trunk_angle_deg(px, side, outward):
    """Upper arm against the line from the middle of the shoulders to the middle of the hips, written out."""
    at = lambda part: px[:, Landmark.of(side, part), :2]
    middle = lambda part: (px[:, Landmark.of("left", part), :2] + px[:, Landmark.of("right", part), :2]) / 2
    arm, down = at("elbow") - at("shoulder"), middle("hip") - middle("shoulder")
    cross, dot = arm[:, 1] * down[:, 0] - arm[:, 0] * down[:, 1], np.sum(arm * down, axis=1)
    return np.degrees(np.arctan2(-outward * cross, dot)) % 360


def test_published_keypoints_of_another_network(outside_data):
    # tensorflow/tfjs-models, pose_1.json: 17 keypoints of 120 pictures at 30 a second
    path = outside_data / "keypoint_clips" / "pose_1.json"
    clip, track = read_landmarks(path, LandmarkFacts(30.0, 576, 576))
    published = json.loads(path.read_text())
    assert track.landmarks_px[54, Landmark.LEFT_ELBOW, 0] == published[54]["left_elbow"]["x"]
    assert (clip.frames_decoded, round(clip.frame_rate_hz), clip.duration_s) == (120, 30, pytest.approx(4.0))
    found = measure_landmarks(clip, track, movement="abduction", side="both")
    for reading, curve in zip(found.readings, found.curves, strict=True):
        drawn = trunk_angle_deg(track.landmarks_px, reading.side, 1 if reading.side == "left" else -1)
        # tan(apparent) = tan(true) cos(turn): one turn explains every picture
        cosine = np.tan(np.radians(drawn)) / np.tan(np.radians(curve.source.angle_deg))
        assert np.ptp(cosine) < 1e-9
        assert 0.64 < cosine[0] <= 1
        assert reading.status == "measured"
        assert any("came from a file" in one for one in track.remarks)


def test_without_metres_the_turn_is_as_unsure_as_the_picture(outside_data):
    from vision_rom.angles import find_view
    from vision_rom.angles.view import FACING_SD_FROM_PICTURE_DEG

    _, track = read_landmarks(outside_data / "keypoint_clips" / "pose_1.json", LandmarkFacts(30.0, 576, 576))
    assert not np.isfinite(track.world_m).any()
    assert find_view(track.landmarks_px, track.visibility, track.world_m).sd_deg >= FACING_SD_FROM_PICTURE_DEG


def test_published_arrays_of_33_points(outside_data):
    path = outside_data / "keypoint_clips" / "pose_squats.full.json"
    _, track = read_landmarks(path, LandmarkFacts(5.0, 720, 1280))
    np.testing.assert_array_equal(track.landmarks_px, np.array(json.loads(path.read_text())))
    assert track.time_s[-1] == pytest.approx(64 / 5)


def test_keraal_shares_of_the_picture(outside_data):
    # nguyensmai/KeraalDataset: shares of width and height, by picture number
    path = outside_data / "keraal" / "G3-BP-ELK-P1T1-Unknown-C-0.json"
    clip, track = read_landmarks(path, LandmarkFacts(25.0, 640, 480))
    nose = json.loads(path.read_text())["positions"]["1.0"]["Nose"]
    assert track.landmarks_px[0, Landmark.NOSE] == pytest.approx(np.array(nose) * (640, 480, 640))
    assert clip.frames_decoded == 193
    with pytest.raises(UsageError, match="width_px"):
        read_landmarks(path, LandmarkFacts(25.0))


def test_keraal_depth_camera(outside_data):
    path = outside_data / "keraal" / "G3-Kinect-ELK-P1T1-Unknown-C-0.txt"
    clip, track = read_landmarks(path, LandmarkFacts(30.0))
    found = measure_landmarks(clip, track, movement="abduction", side="both")
    rows = np.loadtxt(path).reshape(-1, 25, 7)[:, :, :3]
    # the person faces the camera: left is at the camera's left, which is the picture's right
    assert {reading.view for reading in found.readings} == {"front"}
    # lengths in space survive: joints 4 and 5 are the left shoulder and elbow
    ours = np.linalg.norm(track.world_m[:, Landmark.LEFT_SHOULDER] - track.world_m[:, Landmark.LEFT_ELBOW], axis=1)
    np.testing.assert_allclose(ours, np.linalg.norm(rows[:, 4] - rows[:, 5], axis=1), atol=1e-12)
    drawn = trunk_angle_deg(track.landmarks_px, "left", 1)
    cosine = np.tan(np.radians(drawn)) / np.tan(np.radians(found.curves[0].source.angle_deg))
    assert np.ptp(cosine) < 1e-9


@pytest.mark.parametrize("peak_deg", [45.0, 90.0, 150.0])
def test_own_json_and_tables_come_back(drawn, tmp_path, measurement, peak_deg):
    track = drawn(peak_deg)
    (tmp_path / "a.json").write_text(json.dumps(own_json(track)))
    _, back = read_landmarks(tmp_path / "a.json")
    np.testing.assert_allclose(back.landmarks_px, track.landmarks_px, atol=5e-4)
    np.testing.assert_allclose(back.time_s, track.time_s, atol=1e-6)
    clip, _ = read_landmarks(tmp_path / "a.json")
    reading = measure_landmarks(clip, back, movement="abduction", side="left").readings[0]
    assert reading.held_deg == pytest.approx(peak_deg, abs=0.3)


@pytest.mark.parametrize("ending", ["parquet", "csv"])
def test_the_frames_table_can_be_measured_again(measurement, tmp_path, ending):
    columns = columns_of("frames")
    table = arrow_table(frame_columns(measurement, "x"), columns)
    path = tmp_path / f"frames.{ending}"
    (write_parquet if ending == "parquet" else write_csv)([table], path)
    clip, track = read_landmarks(path)
    again = measure_landmarks(clip, track, movement="abduction", side="left").readings[0]
    before = measurement.readings[0]
    assert (track.width_px, track.height_px) == (600, 800)
    assert np.isnan(track.landmarks_px[3, Landmark.NOSE]).all()
    assert again.held_deg == pytest.approx(before.held_deg, abs=0.01)
    assert len(again.repetitions) == len(before.repetitions) == 2


def test_zero_zero_is_nobody(tmp_path):
    points = np.full((10, 33, 2), 5.0)
    points[4] = 0
    (tmp_path / "a.json").write_text(json.dumps(points.tolist()))
    _, track = read_landmarks(tmp_path / "a.json", LandmarkFacts(10.0))
    assert np.isnan(track.landmarks_px[4, :, :2]).all()
    assert track.people.tolist() == [1] * 4 + [0] + [1] * 5
    assert any("size was not given" in one for one in track.remarks)


@pytest.mark.parametrize(
    ("name", "number"),
    [("left_shoulder", 11), ("Left Shoulder", 11), ("lShoulder", 11), ("LShoulder", 11), ("Right_foot_index", 32)]
    + [("rHip", 24), ("Nose", 0), ("Neck", None), ("LEye", 2), ("mouth_left", 9)],
)
def test_names_of_body_points(name, number):
    assert landmark_number(name) == number


@pytest.mark.parametrize(
    ("name", "content", "error", "match"),
    [
        ("a.json", "{", ClipDamaged, "cannot be read"),
        ("a.json", "{}", ClipDamaged, "none of the known forms"),
        ("a.json", "[]", ClipDamaged, "no picture"),
        ("a.json", json.dumps(np.zeros((3, 17, 2)).tolist()), ClipDamaged, "shape"),
        ("a.json", json.dumps(np.ones((3, 33, 2)).tolist()), UsageError, "landmark_rate_hz"),
        ("a.csv", "time_s,landmark,x_px\n0,nose,1\n", ClipDamaged, "y_px"),
        ("a.csv", "time_s,landmark,x_px,y_px\n0,tail,1,1\n", ClipDamaged, "'tail' is no landmark"),
        ("a.csv", "time_s,landmark,x_px,y_px\n0,nose,1,1\n0,nose,2,2\n", ClipDamaged, "twice"),
        ("a.txt", "1 2 3\n", ClipDamaged, "3 numbers"),
        ("a.parquet", "no table", ClipDamaged, "cannot be read"),
    ],
)
def test_wrong_files_end_with_a_sentence(tmp_path, name, content, error, match):
    (tmp_path / name).write_text(content)
    with pytest.raises(error, match=match) as caught:
        read_landmarks(tmp_path / name)
    assert isinstance(caught.value, VisionRomError)


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(ClipMissing):
        read_landmarks(tmp_path / "a.csv")


def test_times_must_grow(tmp_path):
    content = {"schema": "vision-rom/landmarks/1", "frames": [{"nose": [1, 1]}] * 3, "time_s": [0, 1, 1]}
    (tmp_path / "a.json").write_text(json.dumps({**content, "width_px": 10, "height_px": 10}))
    with pytest.raises(ClipDamaged, match="grow"):
        read_landmarks(tmp_path / "a.json")


def test_long_tables_may_be_in_any_order(measurement, tmp_path):
    table = pd.DataFrame(frame_columns(measurement, "x"))
    table.sample(frac=1, random_state=1).to_csv(tmp_path / "a.csv", index=False)
    _, track = read_landmarks(tmp_path / "a.csv")
    np.testing.assert_allclose(track.landmarks_px, measurement.track.landmarks_px, atol=5e-4)


def test_a_coordinate_beyond_any_picture_is_refused(tmp_path):
    """1e308 as a share of a picture's width is no number any more."""
    path = tmp_path / "a.json"
    path.write_text('{"positions": {"0": {"LShoulder": [1e308, 0.2]}, "1": {"LShoulder": [0.1, 0.2]}}}')
    with pytest.raises(ClipDamaged, match="beyond 1e"):
        read_landmarks(path, LandmarkFacts(rate_hz=30.0, width_px=600, height_px=800))
