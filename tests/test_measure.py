"""The whole walk: on true joint centres of rendered clips, on the clips themselves, and where it must refuse."""

from __future__ import annotations

import importlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from vision_rom.errors import ClipMissing, UsageError
from vision_rom.handover import MIRRORED_LANDMARKS, SIDES, Clip, Landmark, PoseModel, PoseTrack
from vision_rom.measure import measure
from vision_rom.motion import Smoothing
from vision_rom.readings import Measurement, measure_landmarks
from vision_rom.synthetic.truth_file import ClipTruth, read_truth

pipeline = importlib.import_module("vision_rom.measure")

CLIPS = {
    "abduction_both": "abduction",
    "demo_abduction_left": "abduction",
    "demo_abduction_right": "abduction",
    "extension_right": "extension",
    "external_rotation_right": "external_rotation",
    "flexion_right": "flexion",
    "internal_rotation_right": "internal_rotation",
    "scaption_right": "scaption",
}
WIDTH_PX, HEIGHT_PX = 480, 640
TOLERANCE_DEG = {"abduction": 3.0, "flexion": 3.0, "scaption": 3.0, "extension": 4.0}
ROTATION_DEG = 5.0


def landmarks_at_joints(truth: ClipTruth) -> PoseTrack:
    """Return a track whose landmarks are the true joint centres: what is left is the error of the geometry."""
    assert truth.camera is not None
    eye_m = np.array(truth.camera["position_m"])
    away_x, away_y = -eye_m[:2] / np.hypot(*eye_m[:2])
    # rows: to the right of the picture, down, away from the camera
    axes = np.array([[away_y, -away_x, 0.0], [0.0, 0.0, -1.0], [away_x, away_y, 0.0]])
    hips_m = (truth.joints_m["left_hip"] + truth.joints_m["right_hip"]) / 2
    n = len(truth.time_s)
    pixels, world = np.full((n, 33, 3), np.nan), np.full((n, 33, 3), np.nan)

    def put(row: int, at_m: np.ndarray, at_px: np.ndarray) -> None:
        world[:, row] = (at_m - hips_m) @ axes.T
        pixels[:, row] = np.column_stack([at_px, np.zeros(n)])

    for side in SIDES:
        for part in ("shoulder", "elbow", "wrist", "hip", "knee", "ankle", "eye"):
            name = f"{side}_{part}"
            put(Landmark.of(side, part), truth.joints_m[name], truth.joints_px[name])
    put(Landmark.NOSE, *((of["left_eye"] + of["right_eye"]) / 2 for of in (truth.joints_m, truth.joints_px)))
    return PoseTrack(
        time_s=truth.time_s,
        frame_index=np.arange(n),
        landmarks_px=pixels,
        visibility=np.where(np.isfinite(pixels[..., 0]), 0.99, 0.0),
        world_m=world,
        width_px=WIDTH_PX,
        height_px=HEIGHT_PX,
        model=PoseModel("", "0" * 64, "true joint centres"),
    )


def clip_of(track: PoseTrack) -> Clip:
    return Clip(
        path=Path("drawn.mp4"),
        sha256="1" * 64,
        duration_s=float(track.time_s[-1]),
        frames_decoded=len(track.time_s),
        frame_rate_hz=30.0,
        variable_frame_rate=False,
        rotation_deg=0,
        mirrored=False,
        width_px=track.width_px,
        height_px=track.height_px,
    )


def measured(track: PoseTrack, **options: Any) -> Measurement:
    """Measure landmarks by the plain angle in the picture, whose answers are arithmetic."""
    return measure_landmarks(clip_of(track), track, **options)


@pytest.fixture(scope="module")
def truth_of(sample_clips: Path) -> Callable[[str], ClipTruth]:
    kept: dict[str, ClipTruth] = {}

    def read(name: str) -> ClipTruth:
        if name not in kept:
            kept[name] = read_truth(sample_clips / f"{name}.truth.json")
        return kept[name]

    return read


@pytest.fixture
def demo(truth_of: Callable[[str], ClipTruth]) -> PoseTrack:
    """The limited right shoulder of the invented demonstration patient."""
    return landmarks_at_joints(truth_of("demo_abduction_right"))


@pytest.mark.parametrize(("name", "movement"), CLIPS.items())
def test_true_joint_centres_give_the_true_angle(truth_of, name: str, movement: str) -> None:
    truth = truth_of(name)
    # what is tested is the geometry; the interval is that of a network's landmarks, and for some movements too wide
    result = measured(landmarks_at_joints(truth), movement=movement, widest_half_width_deg=np.inf)
    moving = {one.side for one in truth.repetitions}
    assert {reading.side for reading in result.readings} == moving
    assert "_" not in result.choice
    for reading in result.readings:
        true = [one for one in truth.repetitions if one.side == reading.side]
        assert (reading.status, reading.reason, len(reading.repetitions)) == ("measured", None, len(true))
        tolerance = TOLERANCE_DEG.get(movement, ROTATION_DEG)
        assert reading.held_deg == pytest.approx(np.mean([one.held for one in true]), abs=tolerance)
        low, high = reading.interval95_deg
        assert low < np.mean([one.held for one in true]) < high
        for found, one in zip(reading.repetitions, true, strict=True):
            assert found.held_deg == pytest.approx(one.held, abs=tolerance)
            assert found.held_deg <= found.peak_deg
            assert found.start_s < found.hold_start_s < found.hold_end_s < found.end_s
            # the top is flat, so its own instant is not well defined; it lies in the repetition that was done
            assert one.start_s - 0.3 < found.peak_s < one.end_s + 0.3
        assert reading.held_deg == pytest.approx(np.mean([one.held_deg for one in reading.repetitions]))
        assert reading.peak_deg == max(one.peak_deg for one in reading.repetitions)


@pytest.mark.parametrize(
    ("name", "movement", "sides", "view"),
    [
        ("abduction_both", "abduction", {"left", "right"}, "front"),
        ("demo_abduction_left", "abduction", {"left"}, "front"),
        ("demo_abduction_right", "abduction", {"right"}, "front"),
        ("flexion_right", "flexion", {"right"}, "right_side"),
        ("extension_right", "extension", {"right"}, "right_side"),
    ],
)
def test_movement_and_side_are_chosen_and_the_choice_is_told(truth_of, name, movement, sides, view) -> None:
    result = measured(landmarks_at_joints(truth_of(name)))
    assert {(reading.movement, reading.side, reading.view) for reading in result.readings} == {
        (movement, side, view) for side in sides
    }
    assert movement in result.choice.lower()
    assert {"front": "seen from the front", "right_side": "seen from the right"}[view] in result.choice
    assert ("Both sides move" in result.choice) == (len(sides) == 2)


def test_a_side_that_was_asked_for_is_measured_alone(truth_of) -> None:
    track = landmarks_at_joints(truth_of("abduction_both"))
    one = measured(track, movement="abduction", side="left")
    both = measured(track, movement="abduction", side="both")
    assert [reading.side for reading in one.readings] == ["left"]
    assert one.readings[0] == next(reading for reading in both.readings if reading.side == "left")
    assert "The left side was asked for" in one.choice


def test_the_resting_side_is_not_measured_and_the_reason_is_told(demo: PoseTrack) -> None:
    result = measured(demo, movement="abduction", side="both")
    left, right = result.readings
    assert (right.side, right.status) == ("right", "measured")
    assert (left.side, left.status, left.repetitions) == ("left", "not_measured", ())
    assert "without a raise" in str(left.reason)
    assert np.isnan(left.held_deg)


def test_the_other_arm_is_named_where_it_did_the_movement(demo: PoseTrack) -> None:
    # the demonstration's right arm moves; a mirror makes it a left one
    (reading,) = measured(demo, movement="abduction", side="left").readings
    assert reading.status == "not_measured"
    assert reading.reason is not None
    assert "right arm made the movement" in reading.reason
    assert "--mirrored" in reading.reason
    (still,) = measured(at_rest(demo), movement="abduction", side="left").readings
    assert "made the movement" not in str(still.reason)


@pytest.mark.parametrize(("every", "refused"), [(1, True), (2, True), (40, False)])
def test_sides_that_keep_changing_places_make_no_reading(demo: PoseTrack, every: int, refused: bool) -> None:
    flickering = replace(demo, exchanged=np.arange(len(demo.time_s)) // every % 2 == 1)
    (reading,) = measured(flickering, movement="abduction", side="right").readings
    assert (reading.status == "not_measured") is refused
    if refused:
        assert "changed places" in str(reading.reason)


@pytest.mark.parametrize(("share", "refused"), [(0.4, True), (0.95, False)])
def test_an_arm_without_an_elbow_is_not_measured(demo: PoseTrack, share: float, refused: bool) -> None:
    points = demo.landmarks_px.copy()
    shoulder = points[:, Landmark.RIGHT_SHOULDER]
    points[:, Landmark.RIGHT_ELBOW] = shoulder + share * (points[:, Landmark.RIGHT_ELBOW] - shoulder)
    (reading,) = measured(replace(demo, landmarks_px=points), movement="abduction", side="right").readings
    assert (reading.status == "not_measured") is refused
    if refused:
        assert "ends above the elbow" in str(reading.reason)


@pytest.mark.parametrize(("share", "sure", "refused"), [(0.4, 0.6, True), (0.4, 0.97, False), (0.9, 0.6, False)])
def test_an_arm_without_a_forearm_is_not_measured(demo: PoseTrack, share: float, sure: float, refused: bool) -> None:
    """A short forearm whose wrist is seen well points at the camera, and one that is long and unsure lies in the dark."""
    points, visibility = demo.landmarks_px.copy(), demo.visibility.copy()
    elbow = points[:, Landmark.RIGHT_ELBOW]
    points[:, Landmark.RIGHT_WRIST] = elbow + share * (points[:, Landmark.RIGHT_WRIST] - elbow)
    visibility[:, Landmark.RIGHT_WRIST] = sure
    changed = replace(demo, landmarks_px=points, visibility=visibility)
    (reading,) = measured(changed, movement="abduction", side="right").readings
    assert (reading.status == "not_measured") is refused
    if refused:
        assert "forearm was not seen" in str(reading.reason)
    (other,) = measured(changed, movement="elbow_flexion", side="right").readings
    assert "forearm was not seen" not in str(other.reason)


def test_a_mirrored_patient_has_the_same_angles_on_the_other_side(demo: PoseTrack) -> None:
    def flipped(points: np.ndarray, width: float) -> np.ndarray:
        return points[:, MIRRORED_LANDMARKS] * (-1, 1, 1) + (width, 0, 0)

    mirror = replace(
        demo,
        landmarks_px=flipped(demo.landmarks_px, WIDTH_PX),
        world_m=flipped(demo.world_m, 0.0),
        visibility=demo.visibility[:, MIRRORED_LANDMARKS],
    )
    [here], [there] = measured(demo).readings, measured(mirror).readings
    assert (here.side, there.side) == ("right", "left")
    assert there.held_deg == pytest.approx(here.held_deg, abs=1e-6)
    assert there.interval95_deg == pytest.approx(here.interval95_deg, abs=1e-6)


def test_a_turned_phone_moves_the_vertical_value_alone(demo: PoseTrack) -> None:
    roll = np.radians(8.0)
    turn = np.array([[np.cos(roll), -np.sin(roll), 0], [np.sin(roll), np.cos(roll), 0], [0, 0, 1]])
    middle = np.array([WIDTH_PX / 2, HEIGHT_PX / 2, 0])
    rolled = replace(demo, landmarks_px=(demo.landmarks_px - middle) @ turn.T + middle, world_m=demo.world_m @ turn.T)
    [level], [tilted] = (measured(one, side="right").readings for one in (demo, rolled))
    assert tilted.held_deg == pytest.approx(level.held_deg, abs=0.5)
    assert abs(tilted.vertical_held_deg - level.vertical_held_deg) == pytest.approx(8.0, abs=0.5)


def test_half_the_speed_changes_no_angle(demo: PoseTrack) -> None:
    [quick], [slow] = measured(demo).readings, measured(replace(demo, time_s=demo.time_s * 2)).readings
    assert slow.held_deg == pytest.approx(quick.held_deg, abs=1.0)
    for one, other in zip(quick.repetitions, slow.repetitions, strict=True):
        assert other.peak_speed_deg_s == pytest.approx(one.peak_speed_deg_s / 2, rel=0.1)
        assert other.peak_s == pytest.approx(2 * one.peak_s, abs=0.5)


def hidden(track: PoseTrack, *parts: str) -> PoseTrack:
    """Return the track as the network gives it when these parts are out of view: a guess with little visibility."""
    visibility = track.visibility.copy()
    for part in parts:
        for side in SIDES:
            visibility[:, Landmark.of(side, part)] = 0.1
    return replace(track, visibility=visibility)


def at_rest(track: PoseTrack) -> PoseTrack:
    """Repeat the first half second, in which the arm hangs, for six seconds."""
    rows = np.arange(180) % 15
    arrays = ("frame_index", "landmarks_px", "visibility", "world_m")
    still = {name: getattr(track, name)[rows] for name in arrays}
    return replace(track, time_s=np.arange(180) / 30, **still)


def cut(track: PoseTrack, start: int, stop: int) -> PoseTrack:
    arrays = ("time_s", "frame_index", "landmarks_px", "visibility", "world_m")
    return replace(track, **{name: getattr(track, name)[start:stop] for name in arrays})


REFUSALS: dict[str, tuple[Callable[[PoseTrack], PoseTrack], str]] = {
    "nobody": (lambda track: replace(track, landmarks_px=np.full_like(track.landmarks_px, np.nan)), "No person"),
    "no hips": (lambda track: hidden(track, "hip"), "hip"),
    "no elbow": (lambda track: hidden(track, "elbow"), "elbow"),
    "one picture": (lambda track: cut(track, 0, 1), "single picture"),
    "too short": (lambda track: cut(track, 60, 72), "lasts 0.4 s only"),
    "arm still": (lambda track: at_rest(track), "without a raise"),
    "top not seen": (lambda track: cut(track, 0, 50), "highest point"),
}


@pytest.mark.parametrize("case", REFUSALS)
def test_what_cannot_be_measured_says_why(demo: PoseTrack, case: str) -> None:
    alter, word = REFUSALS[case]
    result = measured(alter(demo), movement="abduction", side="right")
    [reading] = result.readings
    assert reading.status == "not_measured"
    assert np.isnan([reading.held_deg, reading.peak_deg, *reading.interval95_deg]).all()
    assert reading.reason is not None
    assert word in reading.reason
    assert reading.reason.endswith(".")


def test_each_refusal_has_its_own_sentence(demo: PoseTrack) -> None:
    said = {}
    for case in ("nobody", "no hips", "no elbow", "too short", "one picture", "arm still", "top not seen"):
        [reading] = measured(REFUSALS[case][0](demo), movement="abduction", side="right").readings
        said[case] = reading.reason
    assert len(set(said.values())) == len(said), said


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"movement": "cartwheel"}, "cartwheel"),
        ({"side": "upper"}, "left, right or both"),
    ],
)
def test_what_does_not_exist_is_refused_before_anything_is_read(demo: PoseTrack, options, says: str) -> None:
    with pytest.raises(UsageError, match=says):
        measured(demo, **options)
    with pytest.raises(UsageError, match=says):
        measure("no such clip.mp4", **options)


def test_a_planned_movement_is_refused_with_its_name() -> None:
    with pytest.raises(UsageError, match=r"in the catalogue, but this version does not measure it yet"):
        measure("no such clip.mp4", movement=planned_movement())


def planned_movement() -> str:
    from vision_rom.movements import load_catalogue

    return next(one.name for one in load_catalogue() if one.status == "planned")


@pytest.mark.parametrize("factor", [0.0, -1.0, float("nan")])
def test_a_time_factor_is_more_than_nothing(factor: float) -> None:
    with pytest.raises(UsageError, match="time factor"):
        measure("no such clip.mp4", time_factor=factor)


def test_a_missing_recording(tmp_path: Path) -> None:
    with pytest.raises(ClipMissing, match=r"nowhere\.mp4"):
        measure(tmp_path / "nowhere.mp4", cache=tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_settings_of_the_smoothing_are_used_and_told(demo: PoseTrack) -> None:
    usual = measured(demo)
    wide = measured(demo, smoothing=Smoothing(window_s=1.2))
    assert usual.parameters["smoothing"]["window_s"] == 0.37
    assert usual.parameters["smoothing"]["order"] == 3
    assert wide.parameters["smoothing"]["window_s"] == 1.2
    assert wide.curves[0].window_s > usual.curves[0].window_s
    # sway and tremor are smoothed away, so the speed at its fastest falls
    assert wide.readings[0].repetitions[0].peak_speed_deg_s < usual.readings[0].repetitions[0].peak_speed_deg_s


def test_a_plain_rotation_is_too_unsure_to_be_a_reading(truth_of) -> None:
    result = measured(
        landmarks_at_joints(truth_of("external_rotation_right")), movement="external_rotation", side="right"
    )
    [reading] = result.readings
    assert reading.status == "not_measured"
    assert reading.reason is not None
    assert "uncertain by more than 15 degrees" in reading.reason


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory, sample_clips: Path) -> tuple[Measurement, Path]:
    """The sample clip, measured once from its pictures, and the folder of its landmarks."""
    folder = tmp_path_factory.mktemp("kept")
    return measure(
        sample_clips / "pose_1.mp4", movement="abduction", side="both", method="picture", cache=folder
    ), folder


def test_a_recording_is_measured_from_its_pictures(kept: tuple[Measurement, Path], sample_clips: Path) -> None:
    result, _ = kept
    assert [(one.side, one.status, one.view) for one in result.readings] == [
        ("left", "measured", "front"),
        ("right", "measured", "front"),
    ]
    assert result.clip.path == sample_clips / "pose_1.mp4"
    assert (result.clip.frames_decoded, result.clip.width_px, result.clip.height_px) == (120, 576, 576)
    assert result.track.model.name == "pose_full"
    assert (
        result.parameters.items()
        >= {
            "model": "full",
            "person": None,
            "mirrored": False,
            "time_factor": 1.0,
            "rate_hz": 30.0,
        }.items()
    )


def test_a_second_run_with_other_options_looks_at_no_picture(kept, sample_clips: Path, monkeypatch) -> None:
    first, folder = kept

    def must_not_run(*_: object, **__: object) -> None:
        raise AssertionError("the pictures were looked at again")

    monkeypatch.setattr(pipeline, "track_patient", must_not_run)
    asked = {"movement": "abduction", "method": "picture", "cache": folder}
    again = measure(sample_clips / "pose_1.mp4", side="both", **asked)
    assert again.readings == first.readings
    assert again.clip == first.clip
    other = measure(sample_clips / "pose_1.mp4", side="left", **asked)
    # what is said of both arms together is not said of one alone
    assert other.readings == (replace(first.readings[0], compensations=()),)
    with pytest.raises(AssertionError, match="looked at again"):
        measure(sample_clips / "pose_1.mp4", movement="abduction", cache=None)
    with pytest.raises(AssertionError, match="looked at again"):
        measure(sample_clips / "pose_1.mp4", movement="abduction", cache=folder, mirrored=True)


def test_progress_is_told_and_ends_at_the_end(sample_clips: Path, monkeypatch) -> None:
    monkeypatch.setattr(pipeline, "track_patient", lambda frames, **_: [frame.index for frame in frames])
    told: list[tuple[str, float | None]] = []
    with pytest.raises(AttributeError):  # indices are no landmarks; the pictures have passed by then
        measure(sample_clips / "pose_1.mp4", on_progress=lambda stage, fraction: told.append((stage, fraction)))
    fractions = [fraction for _, fraction in told if fraction is not None]
    assert {stage for stage, _ in told} == {"finding the patient"}
    assert fractions == sorted(fractions)
    assert fractions[-1] == 1.0


def test_ctrl_c_in_the_middle_leaves_nothing(sample_clips: Path, tmp_path: Path) -> None:
    def stop(_: str, fraction: float | None) -> None:
        if fraction is not None and fraction > 0.02:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        measure(sample_clips / "pose_1.mp4", cache=tmp_path / "kept", on_progress=stop)
    assert not (tmp_path / "kept").exists() or list((tmp_path / "kept").iterdir()) == []
