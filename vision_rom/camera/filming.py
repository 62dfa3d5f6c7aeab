"""Filming the sheets by script: how a board is held before a phone, and how the picture becomes a recording."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Iterable
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.spatial.transform import Rotation, Slerp

from vision_rom.camera.rendering import RayLens, SheetPose
from vision_rom.camera.sheets import BOARD
from vision_rom.handover import Floats

# where the board's middle is (fractions of the picture), its height as a fraction of the picture's, turn and tilt, roll
_HOLDS: tuple[tuple[float, float, float, float, float, float], ...] = (
    (0.50, 0.50, 1.00, 0, 0, 90),
    (0.50, 0.50, 1.10, 35, 0, 90),
    (0.50, 0.50, 1.10, -35, 0, 90),
    (0.50, 0.50, 1.10, 0, 35, 90),
    (0.50, 0.50, 1.10, 0, -35, 90),
    (0.15, 0.20, 0.90, 25, -20, 80),
    (0.85, 0.20, 0.90, -25, -20, 100),
    (0.85, 0.80, 0.90, -25, 20, 90),
    (0.15, 0.80, 0.90, 25, 20, 75),
    (0.10, 0.50, 0.90, 30, 0, 0),
    (0.90, 0.50, 0.90, -30, 0, 10),
    (0.50, 0.20, 0.90, 0, -30, -10),
    (0.50, 0.80, 0.90, 0, 30, 170),
    (0.16, 0.20, 1.10, -15, 15, 120),
    (0.84, 0.20, 1.10, 15, 15, 60),
    (0.84, 0.80, 1.10, 15, -15, 45),
    (0.16, 0.80, 1.10, -15, -15, 135),
    (0.35, 0.40, 0.70, 40, 25, 30),
    (0.65, 0.60, 0.70, -40, -25, -30),
    (0.50, 0.50, 0.75, 25, -40, 0),
)
HOLD_S = 0.6
MOVE_S = 0.5


def board_path(lens: RayLens, *, seed: int, tremor: float = 1.0) -> tuple[Callable[[float], SheetPose], float]:
    """Return the board's pose over time and how long that lasts: from place to place, still for a moment at each.

    Places differ a little by seed. ``tremor`` scales the hand's shaking: 1 is about 0.3 mm and 0.1 deg.
    """
    generator = np.random.default_rng(seed)
    holds = np.array(_HOLDS)
    holds[:, :2] += generator.uniform(-0.03, 0.03, (len(holds), 2))
    holds[:, 2] *= generator.uniform(0.93, 1.07, len(holds))
    holds[:, 3:] += generator.uniform(-5.0, 5.0, (len(holds), 3))
    size = np.array([lens.width_px, lens.height_px])
    rays = lens.rays(holds[:, :2] * size)
    depth = lens.focal_x_px * BOARD.size_mm[1] / 1000.0 / (holds[:, 2] * lens.height_px)
    positions = np.concatenate([rays, np.ones((len(rays), 1))], axis=1) * depth[:, None]
    rotations = Rotation.from_euler("ZYX", holds[:, [5, 3, 4]], degrees=True)
    # each place twice: when the hand arrives and when it leaves
    arrive = np.arange(len(holds)) * (HOLD_S + MOVE_S)
    times = np.stack([arrive, arrive + HOLD_S], axis=1).ravel()
    twice = np.repeat(np.arange(len(holds)), 2)
    place = PchipInterpolator(times, positions[twice])
    turn = Slerp(times, rotations[twice])
    shake = _tremor(generator)
    end = float(times[-1])

    def pose_at(time_s: float) -> SheetPose:
        held = float(np.clip(time_s, 0.0, end))
        jitter = shake(time_s) * tremor
        # the turn is eased like the place: it starts and stops without a jerk
        segment = int(np.clip(np.searchsorted(times, held, side="right") - 1, 0, len(times) - 2))
        start, stop = times[segment], times[segment + 1]
        share = (held - start) / (stop - start)
        eased = start + (stop - start) * share * share * (3.0 - 2.0 * share)
        rotation = Rotation.from_rotvec(jitter[3:]) * turn(eased)
        return SheetPose(rotation.as_matrix(), np.asarray(place(held)) + jitter[:3])

    return pose_at, end


def standing_camera(pose: SheetPose, *, seed: int, tremor: float = 0.0) -> Callable[[float], SheetPose]:
    """Return the pose over time of a sheet on the wall before a camera that stands, or is held with a tremor."""
    shake = _tremor(np.random.default_rng(seed))

    def pose_at(time_s: float) -> SheetPose:
        jitter = shake(time_s) * tremor
        turned = Rotation.from_rotvec(jitter[3:]).as_matrix()
        return SheetPose(turned @ pose.rotation, turned @ pose.position_m + jitter[:3])

    return pose_at


def _tremor(generator: np.random.Generator) -> Callable[[float], Floats]:
    """Sines between 1 and 9 Hz, (6,): metres and radians."""
    frequency_hz = generator.uniform(1.0, 9.0, (6, 5))
    phase = generator.uniform(0.0, 2.0 * np.pi, (6, 5))
    size = np.array([3e-4] * 3 + [1.7e-3] * 3) / np.sqrt(5 / 2)

    def at(time_s: float) -> Floats:
        return np.asarray(size * np.sin(2.0 * np.pi * frequency_hz * time_s + phase).sum(axis=1))

    return at


def write_recording(path: Path, pictures: Iterable[NDArray[np.uint8]], *, rate_hz: int, quality: int = 26) -> None:
    """Write RGB pictures as H.264 in MP4, whole or not at all; a smaller ``quality`` (x264's CRF) is better and larger."""
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.stem}.", suffix=path.suffix)
    os.close(handle)
    try:
        with av.open(temporary, "w", format="mp4") as container:
            stream = container.add_stream("libx264", rate=rate_hz)
            stream.pix_fmt = "yuv420p"
            stream.options = {"crf": str(quality), "preset": "slow"}
            stream.time_base = Fraction(1, rate_hz)
            for count, picture in enumerate(pictures):
                if count == 0:
                    stream.height, stream.width = picture.shape[:2]
                frame = av.VideoFrame.from_ndarray(picture, format="rgb24")
                frame.pts = count
                container.mux(stream.encode(frame))
            container.mux(stream.encode())
        os.chmod(temporary, 0o644)
        os.replace(temporary, path)
    finally:
        if os.path.exists(temporary):
            os.unlink(temporary)
