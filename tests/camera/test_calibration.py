"""Lens from views of the board: exact corners with noise first, then pixels, then the verdict's reasons."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from vision_rom.camera.calibration import calibrate_from
from vision_rom.camera.detect import BoardView, find_board
from vision_rom.camera.filming import HOLD_S, MOVE_S, board_path
from vision_rom.camera.lens import Lens
from vision_rom.camera.rendering import Camera, SheetPose, Texture, render
from vision_rom.camera.sheets import BOARD
from vision_rom.camera.views import BoardFrame, choose_frames, without_moving
from vision_rom.errors import NothingMeasurable

SIZE = {"width_px": 1280, "height_px": 720}


def exact_frame(
    lens: Lens, pose: SheetPose, time_s: float, generator: np.random.Generator, noise_px: float
) -> BoardFrame:
    """A view as a detector would report it, with independent noise on each corner."""
    sheet_m = BOARD.corners_m()
    pixels = lens.project(pose.points_m(sheet_m))
    seen = lens.contains(pixels)
    pixels = pixels + generator.normal(0.0, noise_px, pixels.shape)
    return BoardFrame(time_s, BoardView(np.flatnonzero(seen), pixels[seen], sheet_m[seen], 0.03))


def filmed(
    lens: Lens, *, seed: int, noise_px: float = 0.08, rate_hz: float = 6.0, tremor: float = 1.0
) -> list[BoardFrame]:
    pose_at, end_s = board_path(lens, seed=seed, tremor=tremor)
    generator = np.random.default_rng(seed)
    frames = [
        exact_frame(lens, pose_at(time_s), float(time_s), generator, noise_px)
        for time_s in np.arange(0.0, end_s, 1.0 / rate_hz)
    ]
    return [frame for frame in frames if len(frame.view.numbers) >= 8]


def largest_bend_px(found: Lens, true: Lens) -> float:
    """How bent straight lines of the world still are after correction, over 60 lines across the whole picture."""
    generator = np.random.default_rng(0)
    w, h = true.width_px - 1, true.height_px - 1
    worst = 0.0
    for _ in range(60):
        ends = np.array([[generator.uniform(0, w), 0.0], [generator.uniform(0, w), h]])
        if generator.random() < 0.5:
            ends = np.array([[0.0, generator.uniform(0, h)], [w, generator.uniform(0, h)]])
        start, stop = true.rays(ends)
        line = true.project_rays(start + np.linspace(0, 1, 50)[:, None] * (stop - start))
        straight = found.straighten(line[true.contains(line)])
        centred = straight - straight.mean(axis=0)
        worst = max(worst, float(np.abs(centred @ np.linalg.svd(centred)[2][1]).max()))
    return worst


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("which", ["normal", "wide"])
def test_noisy_corners_give_focal_length_and_straight_lines(
    which: str, seed: int, request: pytest.FixtureRequest
) -> None:
    """Focal length within 0.5 % and straight lines straight within 0.5 px, and the verdict says so."""
    lens: Lens = request.getfixturevalue(which)
    chosen = choose_frames(without_moving(filmed(lens, seed=seed)), **SIZE)
    found = calibrate_from(chosen, **SIZE)
    assert found.good, found.verdict
    assert abs(found.lens.focal_x_px / lens.focal_x_px - 1.0) < 0.005
    assert abs(found.lens.focal_y_px / lens.focal_y_px - 1.0) < 0.005
    assert largest_bend_px(found.lens, lens) < 0.5
    low, high = found.focal_interval95_px
    assert high - low < 0.01 * lens.focal_x_px
    # 95 % intervals miss now and then, but not by their own width
    assert low - (high - low) / 2 < lens.focal_x_px < high + (high - low) / 2


@pytest.mark.slow
@pytest.mark.parametrize("which", ["normal", "wide"])
def test_rendered_boards_give_focal_length_and_straight_lines(
    which: str, textures: dict[str, Texture], request: pytest.FixtureRequest
) -> None:
    """From pixels, one picture at each of 20 places, with a rolling shutter, motion blur, a hand's tremor and noise."""
    lens: Lens = request.getfixturevalue(which)
    pose_at, end_s = board_path(lens, seed=3)
    camera = Camera(lens, readout_s=0.02, exposure_s=0.006)
    generator = np.random.default_rng(3)
    frames = []
    for start_s in np.arange(0.0, end_s, HOLD_S + MOVE_S):
        time_s = float(start_s) + HOLD_S / 2
        view = find_board(render(textures["board"], pose_at, time_s, camera, generator=generator))
        if view is not None:
            frames.append(BoardFrame(time_s, view))
    found = calibrate_from(choose_frames(frames, **SIZE), **SIZE)
    assert len(frames) >= 18
    assert abs(found.lens.focal_x_px / lens.focal_x_px - 1.0) < 0.005
    assert largest_bend_px(found.lens, lens) < 1.0


def test_views_that_do_not_fit_are_dropped(normal: Lens) -> None:
    """Three of the views come from a sheet that was bent: they are named, and the lens is as good as without them."""
    frames = choose_frames(without_moving(filmed(normal, seed=4)), **SIZE, most=24)
    bent = []
    for k, frame in enumerate(frames):
        view = frame.view
        if k in (3, 9, 17):
            wave = 3.0 * np.sin(view.sheet_m[:, 0] * 25.0) * [[1.0], [0.7]]
            view = BoardView(view.numbers, view.corners_px + wave.T, view.sheet_m, view.sharpness)
        bent.append(BoardFrame(frame.time_s, view))
    found = calibrate_from(bent, **SIZE)
    assert {frames[k].time_s for k in (3, 9, 17)} <= set(found.dropped_times_s)
    assert len(found.dropped_times_s) <= 6
    assert abs(found.lens.focal_x_px / normal.focal_x_px - 1.0) < 0.005


def flat_views(lens: Lens) -> list[BoardFrame]:
    generator = np.random.default_rng(5)
    poses = [
        SheetPose(np.eye(3), np.array([x, y, generator.uniform(0.4, 0.5)]))
        for x in np.linspace(-0.25, 0.25, 5)
        for y in np.linspace(-0.12, 0.12, 4)
    ]
    frames = [exact_frame(lens, pose, float(k), generator, 0.1) for k, pose in enumerate(poses)]
    return [frame for frame in frames if len(frame.view.numbers) >= 8]


def central_views(lens: Lens) -> list[BoardFrame]:
    generator = np.random.default_rng(6)
    frames = []
    for k in range(20):
        pose_at, _ = board_path(lens, seed=k)
        pose = pose_at((k % 5) * (HOLD_S + MOVE_S))
        far = SheetPose(pose.rotation, np.array([0.0, 0.0, 1.3]))
        frames.append(exact_frame(lens, far, float(k), generator, 0.1))
    return frames


@pytest.mark.parametrize(
    ("views", "reason"),
    [(flat_views, "the focal length shows only in a tilted board"), (central_views, "the board covered")],
)
def test_a_bad_recording_is_to_be_redone_with_the_reason(
    views: Callable[[Lens], list[BoardFrame]], reason: str, normal: Lens
) -> None:
    found = calibrate_from(views(normal), **SIZE)
    assert not found.good
    assert reason in found.verdict
    assert found.verdict.startswith("Redo, because ")


def test_too_few_views_cannot_be_fitted(normal: Lens) -> None:
    with pytest.raises(NothingMeasurable, match="in 3 different places"):
        calibrate_from(filmed(normal, seed=1)[:3], **SIZE)


def test_moving_views_are_left_out(normal: Lens) -> None:
    """Of a path that holds for 0.6 s and moves for 0.5 s: holds stay, the middle of a movement goes."""
    frames = filmed(normal, seed=1, noise_px=0.02, rate_hz=10.0)
    still = {frame.time_s for frame in without_moving(frames)}
    phase_s = {frame.time_s: frame.time_s % (HOLD_S + MOVE_S) for frame in frames}
    held = [time_s for time_s, phase in phase_s.items() if 0.05 < phase < HOLD_S - 0.05]
    moving = [time_s for time_s, phase in phase_s.items() if abs(phase - HOLD_S - MOVE_S / 2) < MOVE_S / 4]
    assert np.mean([time_s in still for time_s in held]) > 0.9
    assert np.mean([time_s in still for time_s in moving]) < 0.15


def test_blurred_and_repeated_views_are_not_chosen(normal: Lens) -> None:
    frames = filmed(normal, seed=1, noise_px=0.02)
    blurred = [
        BoardFrame(f.time_s, BoardView(f.view.numbers, f.view.corners_px, f.view.sheet_m, 0.2 if k % 3 == 0 else 0.03))
        for k, f in enumerate(frames)
    ]
    chosen = choose_frames(blurred, **SIZE)
    assert all(frame.view.sharpness < 0.1 for frame in chosen)
    assert len(choose_frames([frames[0]] * 30, **SIZE)) == 1
    assert choose_frames([], **SIZE) == []


def test_a_fisheye_lens_is_never_called_good() -> None:
    """105 deg wide, picture distance proportional to the angle: another kind of lens than any that is fitted."""
    focal_px, centre = 700.0, np.array([642.0, 357.0])
    for seed in range(3):
        pose_at, end_s = board_path(Lens(700.0, 700.0, 642.0, 357.0, 1280, 720), seed=seed)
        generator = np.random.default_rng(seed)
        frames = []
        for time_s in np.arange(HOLD_S / 2, end_s, HOLD_S + MOVE_S):
            points = pose_at(float(time_s)).points_m(BOARD.corners_m())
            across = np.hypot(points[:, 0], points[:, 1])
            pixels = points[:, :2] * (np.arctan2(across, points[:, 2]) / across * focal_px)[:, None] + centre
            pixels += generator.normal(0.0, 0.08, pixels.shape)
            seen = (pixels >= 0).all(axis=1) & (pixels <= [1279, 719]).all(axis=1)
            if seen.sum() >= 10:
                view = BoardView(np.flatnonzero(seen), pixels[seen], BOARD.corners_m()[seen], 0.03)
                frames.append(BoardFrame(float(time_s), view))
        found = calibrate_from(frames, **SIZE)
        assert not found.good
        assert "fisheye" in found.verdict
