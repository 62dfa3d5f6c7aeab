"""From pictures to the patient's landmarks, against landmarks that others published."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from vision_rom.clip import open_clip
from vision_rom.errors import UsageError
from vision_rom.handover import MIRRORED_LANDMARKS, Frame, Landmark
from vision_rom.pose import PoseSettings, load_cached, store_cached, track_patient

PUBLISHED_TOLERANCE_PX, PUBLISHED_TOLERANCE_M = 31.0, 0.24
"""Of the publishers' own tests: tensorflow/tfjs-models @18a73420, pose-detection/src/blazepose_mediapipe."""


def still(rgb: np.ndarray, count: int = 1) -> list[Frame]:
    return [Frame(index, index / 30, rgb) for index in range(count)]


def track_still(rgb: np.ndarray, **settings):
    return track_patient(still(rgb), width_px=rgb.shape[1], height_px=rgb.shape[0], settings=PoseSettings(**settings))


def read_picture(path: Path) -> np.ndarray:
    return np.ascontiguousarray(cv2.imread(str(path))[..., ::-1])


def test_published_keypoints(track, outside_data):
    """tfjs-models' keypoints of the same clip, from another network (17 points)."""
    published = json.loads((outside_data / "keypoint_clips" / "pose_1.json").read_text())
    assert len(track.time_s) == len(published) == 120
    for part, typical_px in {"shoulder": 8, "elbow": 8, "wrist": 8, "hip": 8, "ankle": 8, "knee": 25}.items():
        for side in ("left", "right"):
            points = np.array([(frame[f"{side}_{part}"]["x"], frame[f"{side}_{part}"]["y"]) for frame in published])
            off_px = np.linalg.norm(track.landmarks_px[:, Landmark.of(side, part), :2] - points, axis=-1)
            assert np.median(off_px) < typical_px, (side, part)
            assert np.percentile(off_px, 95) < PUBLISHED_TOLERANCE_PX, (side, part)


def test_published_angle_of_the_first_picture(track):
    """Angle between upper arm and same-side hip line from the published keypoints: left 46.93, right 49.51 degrees."""
    for side, expected_deg in (("left", 46.93), ("right", 49.51)):
        shoulder, elbow, hip = (
            track.landmarks_px[0, Landmark.of(side, part), :2] for part in ("shoulder", "elbow", "hip")
        )
        arm, trunk = elbow - shoulder, hip - shoulder
        found_deg = np.degrees(np.arctan2(abs(arm[0] * trunk[1] - arm[1] * trunk[0]), arm @ trunk))
        assert found_deg == pytest.approx(expected_deg, abs=8)


def test_a_published_recording_of_a_real_person(outside_data, outside_pictures):
    """tfjs-models' BlazePose landmarks of a squat clip, portrait, 5 pictures a second, in pixels and metres."""
    folder = outside_data / "keypoint_clips"
    pixels = np.array(json.loads((folder / "pose_squats.full.json").read_text()))
    metres = np.array(json.loads((folder / "pose_squats_3d.full.json").read_text()))
    with open_clip(outside_pictures / "pose_squats.mp4") as reader:
        track = track_patient(reader.as_stored(), width_px=reader.width_px, height_px=reader.height_px)
    assert track.landmarks_px.shape == pixels.shape == (65, 33, 3)
    assert not track.exchanged.any()
    for part in ("shoulder", "elbow", "hip"):
        for side in ("left", "right"):
            point = Landmark.of(side, part)
            off_px = np.linalg.norm(track.landmarks_px[:, point, :2] - pixels[:, point, :2], axis=-1)
            off_m = np.linalg.norm(track.world_m[:, point] - metres[:, point], axis=-1)
            assert np.median(off_px) < 12
            assert np.percentile(off_px, 95) < PUBLISHED_TOLERANCE_PX
            assert off_m.max() < PUBLISHED_TOLERANCE_M


@pytest.mark.parametrize("model", ["full", "heavy"])
def test_a_published_picture_of_a_real_person(outside_pictures, model):
    """tfjs-models' pose.jpg, both arms level; the published pixels."""
    published = {
        Landmark.LEFT_SHOULDER: (545, 319),
        Landmark.LEFT_ELBOW: (622, 323),
        Landmark.RIGHT_SHOULDER: (453, 329),
        Landmark.RIGHT_ELBOW: (375, 316),
        Landmark.LEFT_HIP: (520, 476),
        Landmark.RIGHT_HIP: (467, 471),
    }
    picture = read_picture(outside_pictures / "pose.jpg")
    track = track_still(picture, model=model)
    for point, expected in published.items():
        assert np.linalg.norm(track.landmarks_px[0, point, :2] - expected) < 20, point.name


def test_left_and_right_in_a_mirrored_picture(outside_pictures):
    """Relation: L(original) = R(mirrored), within 2 % of the width."""
    picture = read_picture(outside_pictures / "pose.jpg")
    points = track_still(picture).landmarks_px[0]
    mirrored = track_still(picture[:, ::-1]).landmarks_px[0][list(MIRRORED_LANDMARKS)]
    back = mirrored * (-1, 1, 1) + (picture.shape[1], 0, 0)
    arms_and_trunk = [11, 12, 13, 14, 15, 16, 23, 24]
    assert np.linalg.norm((back - points)[arms_and_trunk, :2], axis=-1).max() < 0.02 * picture.shape[1]


def test_each_of_several_people_can_be_the_patient(outside_pictures):
    picture = read_picture(outside_pictures / "three_people.jpg")
    default = track_still(picture)
    assert default.people[0] >= 2
    hips = []
    for number in range(1, int(default.people[0]) + 1):
        track = track_still(picture, person=number)
        hips.append(float(track.landmarks_px[0, [Landmark.LEFT_HIP, Landmark.RIGHT_HIP], 0].mean()))
        shoulders = track.landmarks_px[0, [Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER], :2].mean(axis=0)
        named = track_still(picture, person=(float(shoulders[0]), float(shoulders[1])))
        np.testing.assert_array_equal(named.landmarks_px, track.landmarks_px)
    assert hips == sorted(hips)


def test_times_and_indices_are_those_of_the_pictures(track):
    np.testing.assert_allclose(track.time_s, np.arange(120) / 30, atol=1e-6)
    np.testing.assert_array_equal(track.frame_index, np.arange(120))
    assert (track.people == 1).all()
    assert track.remarks == ()


def test_a_recording_of_nobody_is_all_empty():
    track = track_patient(still(np.full((120, 160, 3), 128, np.uint8), 3), width_px=160, height_px=120)
    assert track.landmarks_px.shape == (3, 33, 3)
    assert np.isnan(track.landmarks_px).all()
    assert np.isnan(track.visibility).all()
    assert np.isnan(track.world_m).all()
    np.testing.assert_array_equal(track.people, [0, 0, 0])
    np.testing.assert_array_equal(track.time_s, [0, 1 / 30, 2 / 30])


def test_a_recording_without_pictures_has_no_rows():
    track = track_patient([], width_px=160, height_px=120)
    assert track.landmarks_px.shape == (0, 33, 3)
    assert track.time_s.shape == track.people.shape == track.ambiguous.shape == track.exchanged.shape == (0,)


def test_pictures_that_do_not_come_later_are_passed_over():
    grey = np.full((64, 64, 3), 128, np.uint8)
    frames = [Frame(i, t, grey) for i, t in enumerate([0.0, 0.1, 0.1, 0.05, 0.2])]
    track = track_patient(frames, width_px=64, height_px=64)
    np.testing.assert_array_equal(track.time_s, [0.0, 0.1, 0.2])
    np.testing.assert_array_equal(track.frame_index, [0, 1, 4])


def test_a_picture_of_another_size_is_refused():
    with pytest.raises(ValueError, match="picture 0 is"):
        track_patient(still(np.zeros((64, 32, 3), np.uint8)), width_px=64, height_px=32)


def test_a_person_who_is_not_there_is_told(sample_clips):
    with open_clip(sample_clips / "pose_1.mp4") as reader:
        frames = [frame for frame in reader if frame.index < 4]
    with pytest.raises(UsageError, match="at most one person was seen"):
        track_patient(frames, width_px=576, height_px=576, settings=PoseSettings(person=2))


def test_every_picture_is_reported_and_read_once(sample_clips):
    seen = []
    with open_clip(sample_clips / "pose_1.mp4") as reader:
        frames = (frame for frame in reader if frame.index < 4)
        track_patient(
            frames, width_px=576, height_px=576, on_frame=lambda frame, people: seen.append((frame.index, len(people)))
        )
    assert seen == [(0, 1), (1, 1), (2, 1), (3, 1)]


def test_a_second_run_needs_no_pictures(track, sample_clips, tmp_path):
    with open_clip(sample_clips / "pose_1.mp4") as reader:
        for _ in reader:
            pass
        clip = reader.clip()
    options = {"mirrored": False}
    assert store_cached(tmp_path, clip=clip, track=track, settings=PoseSettings(), clip_options=options)
    kept = load_cached(tmp_path, clip_sha256=clip.sha256, settings=PoseSettings(), clip_options=options)
    assert kept is not None
    np.testing.assert_array_equal(kept[1].landmarks_px, track.landmarks_px)
    assert kept[0].duration_s == clip.duration_s
