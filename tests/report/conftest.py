"""A small measurement made by hand: one raise of the right arm to 120 degrees, filmed from the front."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from vision_rom.handover import (
    AngleCurve,
    Clip,
    Landmark,
    PoseModel,
    PoseTrack,
    Reading,
    Repetition,
    SmoothCurve,
)
from vision_rom.readings import Measurement

WIDTH_PX, HEIGHT_PX = 240, 320


def standing_person() -> np.ndarray:
    """Landmarks (33, 3) of a person who faces the camera with the right arm level."""
    points = np.zeros((33, 3))
    points[: Landmark.MOUTH_RIGHT + 1, :2] = (120, 60)
    points[Landmark.LEFT_EAR, :2], points[Landmark.RIGHT_EAR, :2] = (132, 60), (108, 60)
    for side, sign in (("left", 1), ("right", -1)):
        points[Landmark.of(side, "shoulder"), :2] = (120 + 28 * sign, 100)
        points[Landmark.of(side, "hip"), :2] = (120 + 18 * sign, 190)
        points[Landmark.of(side, "knee"), :2] = (120 + 18 * sign, 250)
        for part in ("ankle", "heel", "foot_index"):
            points[Landmark.of(side, part), :2] = (120 + 18 * sign, 300)
    for part, y in (("elbow", 140), ("wrist", 175), ("index", 185), ("pinky", 185), ("thumb", 185)):
        points[Landmark.of("left", part), :2] = (152, y)
    for part, x in (("elbow", 52), ("wrist", 20), ("index", 10), ("pinky", 10), ("thumb", 10)):
        points[Landmark.of("right", part), :2] = (x, 100)
    return points


@pytest.fixture
def make_measurement(tmp_path: Path) -> Callable[..., Measurement]:
    """Return a function that makes the measurement, measured or refused."""

    def make(*, measured: bool = True, clip_path: Path | None = None) -> Measurement:
        time_s = np.arange(0, 4, 1 / 30)
        angle = 10 + 110 * np.exp(-(((time_s - 2) / 0.9) ** 4))
        source = AngleCurve("abduction", "right", time_s, angle, angle - 1, np.full(time_s.shape, 0.98))
        curve = SmoothCurve(
            source,
            time_s,
            angle,
            angle - 1,
            np.gradient(angle, time_s),
            np.ones(time_s.shape, bool),
            np.zeros(time_s.shape, bool),
            0.37,
            3,
        )
        repetition = Repetition(0.6, 2.0, 3.4, 120.0, 119.46, 11.0, 95.0, (115.04, 124.0), 1.75, 2.25, 118.4)
        if measured:
            reading = Reading(
                "shoulder",
                "abduction",
                "right",
                "measured",
                None,
                "front",
                4.26,
                (repetition,),
                119.46,
                120.0,
                (114.2, 124.7),
                118.4,
                ("One repetition only.",),
            )
        else:
            reading = Reading("shoulder", "abduction", "right", "not_measured", "No hips in view.", None, float("nan"))
        n = time_s.size
        track = PoseTrack(
            time_s,
            np.arange(n),
            np.repeat(standing_person()[None], n, axis=0),
            np.full((n, 33), 0.99),
            np.zeros((n, 33, 3)),
            WIDTH_PX,
            HEIGHT_PX,
            PoseModel("full", "0" * 64, "mediapipe 1.2.3"),
            np.ones(n, np.int64),
            np.zeros(n, bool),
            np.zeros(n, bool),
        )
        clip = Clip(
            path=clip_path or tmp_path / "raise.mp4",
            sha256="1" * 64,
            duration_s=4.0,
            frames_decoded=n,
            frame_rate_hz=30.0,
            variable_frame_rate=False,
            rotation_deg=90,
            mirrored=False,
            width_px=WIDTH_PX,
            height_px=HEIGHT_PX,
        )
        curves = (curve,) if measured else ()
        return Measurement(clip, track, curves, (reading,), "abduction, right: asked for", {"window_s": 0.37})

    return make
