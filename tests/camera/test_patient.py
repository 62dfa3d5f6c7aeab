"""The camera before a patient: what a known lens and a known tilt take back, and what is not known and said so."""

from __future__ import annotations

import datetime
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from vision_rom.camera.lens import Lens
from vision_rom.camera.patient import CameraAsked, CameraOfPatient, camera_of_patient, level_of_room
from vision_rom.camera.placement import Level, Unsure, camera_axes, level_from_user
from vision_rom.camera.profile import CameraProfile
from vision_rom.camera.use import picture_geometry
from vision_rom.clip import open_clip
from vision_rom.errors import UsageError
from vision_rom.handover import Clip, Frame, Landmark, PoseModel, PoseTrack
from vision_rom.known_camera import _with_vertical, measure_with_camera
from vision_rom.readings import measure_landmarks

WIDTH_PX, HEIGHT_PX = 480, 640
LENS = Lens(400.0, 400.0, 239.5, 319.5, WIDTH_PX, HEIGHT_PX, (-0.15, 0.02))
PROFILE = CameraProfile("drawn", datetime.date(2026, 1, 1), LENS, 0.2, (398.0, 402.0), 30, 0.9)
PITCH_DEG, ROLL_DEG = -15.0, 4.0


def arm_raised(peak_deg: float) -> np.ndarray:
    """Landmarks in metres before a level camera (n, 33, 3): the left arm goes up sideways to a peak and back."""
    time_s = np.arange(0.0, 4.0, 1 / 30)
    angle = np.radians(10.0 + (peak_deg - 10.0) * np.clip(np.minimum(time_s - 0.5, 3.5 - time_s), 0.0, 1.0))
    body = np.full((len(time_s), 33, 3), np.nan)
    at = {"shoulder": (0.2, -0.5), "elbow": (0.2, -0.2), "wrist": (0.2, 0.05), "hip": (0.12, 0.0)}
    at |= {"eye": (0.03, -0.75), "knee": (0.12, 0.45), "ankle": (0.12, 0.85)}
    for part, (x, y) in at.items():
        body[:, Landmark.of("left", part)] = (x, y, 2.5)
        body[:, Landmark.of("right", part)] = (-x, y, 2.5)
    body[:, Landmark.NOSE] = (0.0, -0.7, 2.4)
    along = np.stack([np.sin(angle), np.cos(angle), np.zeros_like(angle)], axis=1)
    body[:, Landmark.LEFT_ELBOW] = body[:, Landmark.LEFT_SHOULDER] + 0.3 * along
    body[:, Landmark.LEFT_WRIST] = body[:, Landmark.LEFT_SHOULDER] + 0.55 * along
    return body


def track_of(body_m: np.ndarray, lens: Lens) -> PoseTrack:
    n = len(body_m)
    pixels = np.concatenate([lens.project(body_m), np.zeros((n, 33, 1))], axis=2)
    return PoseTrack(
        time_s=np.arange(n) / 30,
        frame_index=np.arange(n),
        landmarks_px=pixels,
        visibility=np.where(np.isfinite(pixels[..., 0]), 0.99, 0.0),
        world_m=body_m - np.array([0.0, 0.0, 2.5]),
        width_px=WIDTH_PX,
        height_px=HEIGHT_PX,
        model=PoseModel("", "0" * 64, "drawn"),
    )


def clip_of(track: PoseTrack, path: Path = Path("drawn.mp4")) -> Clip:
    return Clip(path, "1" * 64, 4.0, len(track.time_s), 30.0, False, 0, False, WIDTH_PX, HEIGHT_PX)


def known(level: Level | None, profile: CameraProfile | None = PROFILE) -> CameraOfPatient:
    geometry = picture_geometry(width_px=WIDTH_PX, height_px=HEIGHT_PX, profile=profile, level=level)
    return CameraOfPatient(geometry, None, ())


def seen_by_tilted_phone(body_m: np.ndarray) -> np.ndarray:
    return body_m @ camera_axes(0.0, PITCH_DEG, ROLL_DEG)


def test_lens_and_tilt_are_taken_back_from_every_landmark() -> None:
    body = arm_raised(120.0)
    level = level_from_user(pitch_deg=PITCH_DEG, roll_deg=ROLL_DEG)
    straight = known(level).upright(track_of(seen_by_tilted_phone(body), LENS))
    assert straight is not None
    plain = Lens(400.0, 400.0, 239.5, 319.5, WIDTH_PX, HEIGHT_PX)
    np.testing.assert_allclose(straight.landmarks_px[..., :2], plain.project(body), atol=0.01)


def test_the_metres_are_turned_with_the_picture() -> None:
    body = arm_raised(90.0)
    tilted = track_of(seen_by_tilted_phone(body), LENS)
    tilted = replace(tilted, world_m=seen_by_tilted_phone(body - np.array([0.0, 0.0, 2.5])))
    straight = known(level_from_user(pitch_deg=PITCH_DEG, roll_deg=ROLL_DEG)).upright(tilted)
    assert straight is not None
    np.testing.assert_allclose(straight.world_m, body - np.array([0.0, 0.0, 2.5]), atol=1e-9)


def test_a_profile_takes_the_bend_of_a_wide_lens_out_of_the_angle() -> None:
    """Level, so that only the lens is wrong; the arm reaches into the bent corner of the picture."""
    track = track_of(arm_raised(130.0) + np.array([0.25, -0.2, -1.0]), LENS)
    asked = {"movement": "abduction", "side": "left", "method": "picture"}
    read = measure_with_camera(clip_of(track), track, known(None), **asked).readings[0]
    plain = measure_with_camera(clip_of(track), track, known(None, None), **asked).readings[0]
    assert read.held_deg == pytest.approx(130.0, abs=0.5)
    assert abs(plain.held_deg - 130.0) > abs(read.held_deg - 130.0) + 0.3


@pytest.mark.parametrize("peak_deg", [80.0, 150.0])
def test_a_known_tilt_gives_the_true_angle_against_the_vertical(peak_deg: float) -> None:
    track = track_of(seen_by_tilted_phone(arm_raised(peak_deg)), LENS)
    asked = {"movement": "abduction", "side": "left", "method": "picture"}
    level = level_from_user(pitch_deg=PITCH_DEG, roll_deg=ROLL_DEG)
    with_level = measure_with_camera(clip_of(track), track, known(level), **asked)
    without = measure_with_camera(clip_of(track), track, known(None), **asked)
    assert with_level.readings[0].vertical_held_deg == pytest.approx(peak_deg, abs=0.5)
    assert abs(without.readings[0].vertical_held_deg - peak_deg) > 2.0
    # against the trunk nothing depends on where down is
    assert with_level.readings[0].held_deg == without.readings[0].held_deg
    # the result's pictures show the recording as it was filmed
    assert with_level.track is track
    assert with_level.parameters["camera"] == {
        "focal_px": 400.0,
        "focal_range_px": [398.0, 402.0],
        "focal_from": "profile",
        "level_from": "user",
    }


@pytest.mark.parametrize("peak_deg", [80.0, 150.0])
def test_an_assumed_focal_length_makes_the_interval_against_the_vertical_wider_than_a_profile(peak_deg: float) -> None:
    plain = replace(LENS, distortion=(0.0,) * 8)
    profile = replace(PROFILE, lens=plain)
    track = track_of(seen_by_tilted_phone(arm_raised(peak_deg)), plain)
    asked = {"movement": "abduction", "side": "left", "method": "picture"}
    level = level_from_user(pitch_deg=PITCH_DEG, roll_deg=ROLL_DEG)
    sure = measure_with_camera(clip_of(track), track, known(level, profile), **asked).readings[0]
    unsure = measure_with_camera(clip_of(track), track, known(level, None), **asked).readings[0]
    assert sure.vertical95_deg[0] < peak_deg < sure.vertical95_deg[1]
    assert unsure.vertical95_deg[0] < peak_deg < unsure.vertical95_deg[1]
    # without distortion the angle against the trunk is the same, so the difference is the focal length's
    assert unsure.interval95_deg == pytest.approx(sure.interval95_deg)
    widths = [one.vertical95_deg[1] - one.vertical95_deg[0] for one in (sure, unsure)]
    assert widths[1] > widths[0] * (1 + 1e-4)
    assert widths[0] > sure.interval95_deg[1] - sure.interval95_deg[0]
    nothing = measure_with_camera(clip_of(track), track, known(None, None), **asked).readings[0]
    assert np.isnan(nothing.vertical95_deg).all()


def test_the_vertical_is_as_unsure_as_the_plain_angle_that_it_is_read_by() -> None:
    track = track_of(arm_raised(120.0), LENS)
    found = measure_landmarks(clip_of(track), track, movement="abduction", side="left", method="picture")
    [reading], [curve] = found.readings, found.curves
    own = (reading.interval95_deg[1] - reading.interval95_deg[0]) / 2
    for plain, expected in ((0.0, own), (own + 5.0, own + 5.0)):
        told = _with_vertical(reading, curve, [], plain_half_deg=plain, down_sd_deg=1.0)
        assert told.vertical95_deg[1] - told.vertical_held_deg == pytest.approx(np.hypot(expected, 1.96))


def test_the_interval_against_the_vertical_holds_on_the_bench() -> None:
    """Stated tilt, so 1.96 deg of doubt; the profile's focal length adds hundredths of a degree and is left out."""
    errors = pd.read_csv(Path(__file__).parent / "bench" / "errors.csv")
    errors = errors[errors["known_of_camera"] == "profile and stated tilt"]
    half = ((errors["high_deg"] - errors["low_deg"]) / 2).groupby(errors["clip"]).max()
    learned = errors[(errors["method"] == "learned") & errors["vertical_error_deg"].notna()]
    holds = learned["vertical_error_deg"].abs() <= np.hypot(learned["clip"].map(half), 1.96)
    assert (holds.sum(), len(holds)) == (34, 35)


def room(slant_deg: float, *, edges: int = 6) -> Frame:
    """A wall with door posts, all leaning by one angle."""
    picture = np.full((HEIGHT_PX, WIDTH_PX, 3), 200, np.uint8)
    rows = np.arange(40, 600)
    for index in range(edges):
        x = 40 + index * 75 + np.tan(np.radians(slant_deg)) * (rows - 320)
        for width in range(12):
            picture[rows, np.clip(x + width, 0, WIDTH_PX - 1).astype(int)] = 60
    return Frame(0, 0.0, picture)


def test_the_rooms_edges_tell_the_roll_where_several_pictures_agree() -> None:
    track = track_of(np.full((5, 33, 3), np.nan), LENS)
    plain = replace(LENS, distortion=(0.0,) * 8)
    level = level_of_room([room(3.0)] * 4, plain, track)
    assert isinstance(level, Level)
    assert abs(level.roll_deg) == pytest.approx(3.0, abs=0.5)
    assert isinstance(level_of_room([room(3.0)] * 2, plain, track), Unsure)
    assert isinstance(level_of_room([room(0.0, edges=1)] * 4, plain, track), Unsure)


def test_what_is_not_known_of_the_camera_is_said(sample_clips: Path) -> None:
    path = sample_clips / "demo_abduction_right.mp4"
    with open_clip(path) as reader:
        for _ in reader:
            pass
        clip = reader.clip()
    track = track_of(arm_raised(90.0), LENS)
    found = camera_of_patient(path, clip, track, CameraAsked(equivalent_mm=27.0))
    assert any("was stated" in remark for remark in found.remarks)
    assert any("not known from the room" in remark for remark in found.remarks)
    stated = camera_of_patient(path, clip, track, CameraAsked(level=level_from_user(pitch_deg=-5.0, roll_deg=0.0)))
    assert any("tipped 5 deg down" in remark for remark in stated.remarks)
    other = replace(PROFILE, lens=replace(LENS, width_px=1280, height_px=720))
    with pytest.raises(UsageError, match="another shape"):
        camera_of_patient(path, clip, track, CameraAsked(profile=other))


def test_a_target_in_the_patients_recording_is_found_and_gives_the_level(sample_clips: Path) -> None:
    path = sample_clips.parent / "calibration" / "examples" / "target_turned.mp4"
    with open_clip(path) as reader:
        size = (reader.width_px, reader.height_px)
    clip = replace(clip_of(track_of(arm_raised(90.0), LENS), path), width_px=size[0], height_px=size[1])
    found = camera_of_patient(path, clip, track_of(arm_raised(90.0), LENS), CameraAsked())
    assert found.reference is not None
    assert found.reference.kind == "target"
    assert found.geometry.level is not None
    assert found.geometry.level.source == "target"
    assert any("by the angle target in the recording" in remark for remark in found.remarks)
    # the longer the focal length, the farther the sheet, in proportion: both ends are kept
    near, far = found.reference.ends
    assert near.placement.distance_m < 0.9 * found.reference.placement.distance_m < 0.9 * far.placement.distance_m
    assert found.level_ends[0].pitch_deg != pytest.approx(found.level_ends[1].pitch_deg, abs=0.01)


def test_the_known_focal_length_reaches_the_plain_rotation(monkeypatch: pytest.MonkeyPatch) -> None:
    """The perspective of a forearm that points at the camera is taken back by the profile's focal length, not an assumed one."""
    from vision_rom import readings

    asked: list[float | None] = []
    real = readings.raw_curve
    monkeypatch.setattr(
        readings, "raw_curve", lambda *args, **more: asked.append(more["focal_px"]) or real(*args, **more)
    )
    track = track_of(arm_raised(80.0), LENS)
    measure_with_camera(clip_of(track), track, known(None), movement="external_rotation", side="left", method="picture")
    assert set(asked) == {400.0}
