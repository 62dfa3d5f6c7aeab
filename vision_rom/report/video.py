"""``annotated.mp4``: the recording with the lines, the running angle, repetition and pain on it, heads hidden, no sound."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from vision_rom.clip import open_clip
from vision_rom.handover import Reading, SmoothCurve
from vision_rom.pain import ReadingPain
from vision_rom.readings import Measurement
from vision_rom.report.masking import hide_identity
from vision_rom.report.pictures import annotated
from vision_rom.synthetic.encode import write_clip

Picture = NDArray[np.uint8]
OnFrame = Callable[[float], None]

BANNER_PX = 36
_PAPER, _INK, _PAIN_INK = (245, 245, 245), (20, 20, 20), (140, 29, 24)


def write_annotated_clip(
    measurement: Measurement, path: Path, *, hide_faces: bool = True, on_frame: OnFrame = lambda share: None
) -> None:
    """Write the annotated recording as H.264 that a browser plays; the file appears only when it is complete.

    Every picture that was looked at is written, at its own time. Where the patient was not found the whole picture is
    made unrecognisable; ``hide_faces`` False leaves pictures as they are.

    Raises
    ------
    OutputError
        The file cannot be written.
    ClipError
        The recording cannot be read.
    ValueError
        Nothing was looked at.

    """
    track = measurement.track
    if not len(track.time_s):
        raise ValueError("a recording in which nothing was looked at cannot be annotated")
    write_clip(path, _pictures(measurement, hide_faces, on_frame), track.time_s - track.time_s[0], preset="veryfast")


def _pictures(measurement: Measurement, hide_faces: bool, on_frame: OnFrame) -> Iterator[Picture]:
    track, parameters = measurement.track, measurement.parameters
    rate = parameters.get("rate_hz")
    with open_clip(
        measurement.clip.path,
        mirrored=bool(parameters.get("mirrored", False)),
        time_factor=measurement.clip.time_factor,
        wanted_rate_hz=float(rate) if isinstance(rate, int | float) else None,
    ) as reader:
        row = 0
        for frame in reader:
            if row == len(track.frame_index):
                return
            if frame.index != track.frame_index[row]:
                continue
            picture = frame.rgb
            if hide_faces:
                picture = hide_identity(picture, track.landmarks_px[row], track.visibility[row])
            yield _even(_drawn(picture, measurement, row))
            row += 1
            on_frame(row / len(track.frame_index))


def _drawn(picture: Picture, measurement: Measurement, row: int) -> Picture:
    time_s = float(measurement.track.time_s[row])
    told = []
    hurts = False
    for index, reading in enumerate(measurement.readings):
        curve = measurement.curve_of(reading)
        # of a long recording only the movement that goes on is told
        if curve is None or (measurement.segments and not math.isfinite(angle_at(curve, time_s))):
            continue
        angle = angle_at(curve, time_s)
        number = repetition_at(reading, time_s)
        if math.isfinite(angle):
            points = measurement.track.landmarks_px[row]
            picture = annotated(picture, points, side=reading.side, movement=reading.movement, angle_deg=angle)
        shown = f"{angle:.0f}" if math.isfinite(angle) else "-"
        told.append(f"{reading.side} {shown} deg" + (f", repetition {number}" if number else ""))
        hurts |= bool(measurement.pain) and hurts_at(measurement.pain[index], time_s)
    banner = np.full((BANNER_PX, picture.shape[1], 3), _PAPER, np.uint8)
    text = f"{time_s:5.1f} s   " + "   ".join(told)
    width = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, 0.5, 1)[0][0]
    scale = 0.5 * min(1.0, (picture.shape[1] - 70) / max(width, 1))
    cv2.putText(banner, text, (8, 23), cv2.FONT_HERSHEY_SIMPLEX, scale, _INK, 1, cv2.LINE_AA)
    if hurts:
        cv2.putText(
            banner, "PAIN", (picture.shape[1] - 56, 24), cv2.FONT_HERSHEY_SIMPLEX, 0.6, _PAIN_INK, 2, cv2.LINE_AA
        )
    return np.vstack([banner, picture])


def angle_at(curve: SmoothCurve, time_s: float) -> float:
    """Return the smoothed angle at a time; NaN inside a gap."""
    nearest = int(np.argmin(np.abs(curve.time_s - time_s)))
    return float(curve.angle_deg[nearest]) if abs(float(curve.time_s[nearest]) - time_s) < 0.1 else math.nan


def repetition_at(reading: Reading, time_s: float) -> int:
    """Return the number of the repetition that is going on, counted from 1; 0 between them."""
    for number, one in enumerate(reading.repetitions, 1):
        if one.start_s <= time_s <= one.end_s:
            return number
    return 0


def hurts_at(pain: ReadingPain, time_s: float) -> bool:
    """Tell whether it hurt at a time, after the lag of reaction was taken off."""
    phases = [phase for one in pain.arc.repetitions for phase in (one.raising, one.lowering) if phase is not None]
    return any(phase.start_s <= time_s <= phase.end_s for phase in phases)


def _even(picture: Picture) -> Picture:
    height, width = picture.shape[:2]
    return np.ascontiguousarray(picture[: height - height % 2, : width - width % 2])
