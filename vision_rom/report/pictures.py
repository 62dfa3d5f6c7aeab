"""``peak_SIDE.jpg``: the picture of the best held angle, with the lines that the angle lies between."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

import cv2
import numpy as np
from numpy.typing import NDArray

from vision_rom.clip import frame_at
from vision_rom.clip.reader import frames_at
from vision_rom.handover import Floats, Frame, Landmark, PlaceReading, Reading, Repetition, Side, other_side
from vision_rom.readings import Measurement
from vision_rom.report.masking import hide_identity

Picture = NDArray[np.uint8]
Frames = Mapping[int, Frame]
"""By their index in the recording"""

_TRUNK_INK = (255, 255, 255)
_ARM_INK = (255, 176, 0)
_SHADOW = (20, 20, 20)
_LONGEST_SIDE_PX = 900


def best_repetition(reading: Reading) -> Repetition | None:
    """Return the repetition with the largest held angle, or None where there is none."""
    held = [repetition for repetition in reading.repetitions if math.isfinite(repetition.held_deg)]
    return max(held, key=lambda repetition: repetition.held_deg, default=None)


def frames_near(measurement: Measurement, moments: Iterable[tuple[Reading, float]]) -> Frames:
    """Return the pictures nearest to times in which the readings' arms were seen, by index, all in one way through the recording."""
    track = measurement.track
    rows = {_row_near(measurement, reading, time_s) for reading, time_s in moments} - {None}
    return frames_at(
        measurement.clip.path,
        [(int(track.frame_index[row]), float(track.time_s[row])) for row in rows if row is not None],
        mirrored=bool(measurement.parameters.get("mirrored", False)),
        time_factor=measurement.clip.time_factor,
    )


def peak_jpeg(measurement: Measurement, reading: Reading, frames: Frames | None = None) -> bytes | None:
    """Return the picture of the best held angle as JPEG bytes without metadata; None where nothing was held.

    ``frames`` holds pictures that were read already, from :func:`frames_near`.
    """
    best = best_repetition(reading)
    if best is None:
        return None
    picture = annotated_at(measurement, reading, middle_s(best), angle_deg=best.held_deg, frames=frames)
    if picture is None:
        return None
    return jpeg_of(picture, quality=88)


def jpeg_of(rgb: Picture, *, quality: int) -> bytes | None:
    """Return a picture as JPEG bytes without metadata; None where the library refuses it. ``quality`` 0 to 100."""
    done, encoded = cv2.imencode(".jpg", cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, quality])
    return encoded.tobytes() if done else None


def middle_s(repetition: Repetition) -> float:
    """Return the middle of a repetition's best half second."""
    return (repetition.hold_start_s + repetition.hold_end_s) / 2


def _row_near(measurement: Measurement, reading: Reading, time_s: float) -> int | None:
    track = measurement.track
    seen = np.isfinite(track.landmarks_px[:, Landmark.of(reading.side, "elbow"), 0])
    return int(np.where(seen, np.abs(track.time_s - time_s), np.inf).argmin()) if seen.any() else None


def annotated_at(
    measurement: Measurement, reading: Reading, time_s: float, *, angle_deg: float, frames: Frames | None = None
) -> Picture | None:
    """Return the picture nearest to a time in which the arm was seen, identity hidden, cut to the patient, with its lines.

    None where the arm was never seen.
    """
    track = measurement.track
    row = _row_near(measurement, reading, time_s)
    if row is None:
        return None
    frame = (frames or {}).get(int(track.frame_index[row])) or frame_at(
        measurement.clip.path,
        index=int(track.frame_index[row]),
        # the picture's own time, by which it is reached without decoding all before it
        time_s=float(track.time_s[row]),
        mirrored=bool(measurement.parameters.get("mirrored", False)),
        time_factor=measurement.clip.time_factor,
    )
    masked = hide_identity(frame.rgb, track.landmarks_px[row], track.visibility[row])
    framed, landmarks_px = framed_on_patient(masked, _with_mark(track.landmarks_px[row], reading, time_s))
    if reading.marks:
        return marked(framed, landmarks_px, reading, angle_deg=angle_deg)
    return annotated(framed, landmarks_px, side=reading.side, movement=reading.movement, angle_deg=angle_deg)


RULER_PX, TICK_PX = 44, 20
"""Margin around a picture to mark, and how far apart its ticks are in the recording's own pixels"""


def picture_to_mark(measurement: Measurement, place: PlaceReading) -> bytes | None:
    """Return the picture in which the elbow is to be marked, cut to the upper body, the head hidden, the recording's pixels along its edges.

    JPEG bytes; None where it is not known which picture that is.
    """
    if place.status == "measured" or not math.isfinite(place.start_s):
        return None
    track = measurement.track
    row = int(np.abs(track.time_s - (place.start_s + place.end_s) / 2).argmin())
    upper = track.landmarks_px[row, [*range(Landmark.RIGHT_WRIST + 1), Landmark.LEFT_HIP, Landmark.RIGHT_HIP], :2]
    if not np.isfinite(upper).all():
        return None
    frame = frame_at(
        measurement.clip.path,
        index=int(track.frame_index[row]),
        time_s=float(track.time_s[row]),
        mirrored=bool(measurement.parameters.get("mirrored", False)),
        time_factor=measurement.clip.time_factor,
    )
    masked = hide_identity(frame.rgb, track.landmarks_px[row], track.visibility[row])
    size_px = np.array([masked.shape[1], masked.shape[0]])
    margin = 0.2 * float(np.ptp(upper, axis=0).max())
    left, top = (int(value) for value in np.clip(upper.min(axis=0) - margin, 0, size_px - 2))
    right, bottom = (int(value) for value in np.clip(upper.max(axis=0) + margin, [left + 2, top + 2], size_px))
    return jpeg_of(_with_rulers(masked[top:bottom, left:right], left, top), quality=92)


def _with_rulers(cut: Picture, left: int, top: int) -> Picture:
    """Return a cut-out, enlarged, with ticks at its own pixels, which are counted from ``left`` and ``top``."""
    height, width = cut.shape[:2]
    factor = _LONGEST_SIDE_PX / max(height, width)
    size = (max(1, round(width * factor)), max(1, round(height * factor)))
    sheet = np.full((size[1] + 2 * RULER_PX, size[0] + 2 * RULER_PX, 3), 255, np.uint8)
    sheet[RULER_PX:-RULER_PX, RULER_PX:-RULER_PX] = cv2.resize(cut, size, interpolation=cv2.INTER_CUBIC)
    step = TICK_PX * max(1, round(max(height, width) / (20 * TICK_PX)))
    for along, first, length in ((0, left, width), (1, top, height)):
        for pixel in range(-(-first // step) * step, first + length, step):
            # a pixel's number is its middle's
            at = RULER_PX + round((pixel - first + 0.5) * factor)
            for edge in (RULER_PX - 8, RULER_PX + size[1 - along]):
                start, end = ((at, edge), (at, edge + 8)) if along == 0 else ((edge, at), (edge + 8, at))
                cv2.line(sheet, start, end, _SHADOW, 1, cv2.LINE_AA)
            corner = (at - 12, RULER_PX - 14) if along == 0 else (2, at + 4)
            cv2.putText(sheet, str(pixel), corner, cv2.FONT_HERSHEY_SIMPLEX, 0.4, _SHADOW, 1, cv2.LINE_AA)
    return sheet


def _with_mark(landmarks_px: Floats, reading: Reading, time_s: float) -> Floats:
    """Return one picture's landmarks with the points that a person marked in it."""
    mark = min(reading.marks, key=lambda one: abs(one.time_s - time_s), default=None)
    if mark is None:
        return landmarks_px
    points = landmarks_px.copy()
    points[Landmark.of(reading.side, "elbow"), :2] = mark.elbow_px
    if mark.shoulder_px is not None:
        points[Landmark.of(reading.side, "shoulder"), :2] = mark.shoulder_px
    return points


def marked(rgb: Picture, landmarks_px: Floats, reading: Reading, *, angle_deg: float) -> Picture:
    """Return a copy with the shoulders' line, the upper arm to the marked elbow, a ring around the mark and the angle."""
    picture = rgb.copy()
    points = landmarks_px[:, :2]
    shoulder, elbow = (points[Landmark.of(reading.side, part)] for part in ("shoulder", "elbow"))
    far = points[Landmark.of(other_side(reading.side), "shoulder")]
    width = max(2, round(max(picture.shape[:2]) / 240))
    _line(picture, shoulder, far, _TRUNK_INK, width)
    _line(picture, shoulder, elbow, _ARM_INK, width)
    ring = tuple(round(float(value)) for value in elbow)
    for ink, thick in ((_SHADOW, width + 3), (_ARM_INK, width)):
        cv2.circle(picture, ring, 7 * width, ink, thick, cv2.LINE_AA)
    _label(picture, f"{angle_deg:.0f}", shoulder, 1.0 if shoulder[0] >= far[0] else -1.0)
    return picture


def on_white(drawn: Picture, size_px: tuple[int, int], *, above_px: int) -> Picture:
    """Return a picture shrunk into the middle of a white cell of a width and height, with room for a caption above it."""
    width, height = size_px
    factor = min(width / drawn.shape[1], height / drawn.shape[0])
    size = (max(1, round(drawn.shape[1] * factor)), max(1, round(drawn.shape[0] * factor)))
    cell = np.full((height + above_px, width + 6, 3), 255, np.uint8)
    left = (width - size[0]) // 2
    cell[above_px : above_px + size[1], left : left + size[0]] = cv2.resize(drawn, size, interpolation=cv2.INTER_AREA)
    return cell


def framed_on_patient(rgb: Picture, landmarks_px: Floats) -> tuple[Picture, Floats]:
    """Cut the picture around the body and bring it to a size at which lines and numbers can be read.

    Returns the picture and the landmarks (33, 3) in its pixels; x and y only are moved.
    """
    height, width = rgb.shape[:2]
    points = landmarks_px[np.isfinite(landmarks_px[:, :2]).all(axis=1), :2]
    if not len(points):
        return rgb.copy(), landmarks_px
    low, high = points.min(axis=0), points.max(axis=0)
    margin = 0.18 * float((high - low).max())
    left, top = np.floor(np.clip(low - margin, 0, None)).astype(int)
    right, bottom = np.ceil(np.minimum(high + margin, [width, height])).astype(int)
    if right - left < 2 or bottom - top < 2:
        return rgb.copy(), landmarks_px
    cut = rgb[top:bottom, left:right]
    factor = _LONGEST_SIDE_PX / max(cut.shape[:2])
    size = (max(1, round(cut.shape[1] * factor)), max(1, round(cut.shape[0] * factor)))
    method = cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC
    moved = landmarks_px.copy()
    moved[:, :2] = (moved[:, :2] - [left, top]) * factor
    return np.asarray(cv2.resize(cut, size, interpolation=method), np.uint8), moved


def annotated(rgb: Picture, landmarks_px: Floats, *, side: Side, movement: str, angle_deg: float) -> Picture:
    """Return a copy with the trunk's line, the moving line and the angle in whole degrees drawn on it.

    Elevations are drawn between the trunk's axis and the upper arm; rotations show the upper arm and the forearm,
    because their zero line points at the camera, and so do movements of the elbow.
    """
    picture = rgb.copy()
    points = landmarks_px[:, :2]
    shoulder, elbow, wrist = (points[Landmark.of(side, part)] for part in ("shoulder", "elbow", "wrist"))
    hips = points[[Landmark.LEFT_HIP, Landmark.RIGHT_HIP]].mean(axis=0)
    neck = points[[Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER]].mean(axis=0)
    width = max(2, round(max(picture.shape[:2]) / 240))
    if "rotation" in movement or movement.startswith("elbow_"):
        _line(picture, shoulder, elbow, _TRUNK_INK, width)
        _line(picture, elbow, wrist, _ARM_INK, width)
        corner = elbow
    else:
        _line(picture, neck, hips, _TRUNK_INK, width)
        # the trunk's axis again through the shoulder, where the angle is read
        _line(picture, shoulder, shoulder + 0.75 * (hips - neck), _TRUNK_INK, width)
        _line(picture, shoulder, elbow, _ARM_INK, width)
        _arc(picture, shoulder, hips - neck, elbow - shoulder, width)
        corner = shoulder
    outward = 1.0 if corner[0] >= neck[0] else -1.0
    _label(picture, f"{angle_deg:.0f}", corner, outward)
    return picture


def _line(picture: Picture, start: Floats, end: Floats, ink: tuple[int, int, int], width: int) -> None:
    if not np.isfinite([*start, *end]).all():
        return
    a, b = (tuple(round(float(v)) for v in point) for point in (start, end))
    cv2.line(picture, a, b, _SHADOW, width + 2, cv2.LINE_AA)
    cv2.line(picture, a, b, ink, width, cv2.LINE_AA)
    for point in (a, b):
        cv2.circle(picture, point, width * 2, ink, -1, cv2.LINE_AA)


def _arc(picture: Picture, corner: Floats, fixed: Floats, moving: Floats, width: int) -> None:
    if not np.isfinite([*corner, *fixed, *moving]).all():
        return
    first = math.degrees(math.atan2(fixed[1], fixed[0]))
    turn = math.degrees(math.atan2(fixed[0] * moving[1] - fixed[1] * moving[0], float(fixed @ moving)))
    radius = round(0.4 * float(np.linalg.norm(moving)))
    centre = tuple(round(float(v)) for v in corner)
    cv2.ellipse(picture, centre, (radius, radius), 0, first, first + turn, _ARM_INK, width, cv2.LINE_AA)


def _label(picture: Picture, text: str, corner: Floats, outward: float) -> None:
    """Write the angle beside the joint, on the side away from the trunk."""
    height, width = picture.shape[:2]
    size = max(0.7, max(height, width) / 800)
    (text_width, text_height), _ = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, size, 2)
    if not np.isfinite(corner).all():
        corner = np.array([width / 2, height / 2])
    beside = corner[0] + outward * 0.16 * width - (text_width if outward < 0 else 0)
    x = int(np.clip(beside, 12, max(12, width - text_width - 40)))
    y = int(np.clip(corner[1] + 0.08 * height, text_height + 8, height - 8))
    pad = round(8 * size)
    cv2.rectangle(picture, (x - pad, y - text_height - pad), (x + text_width + round(3.4 * pad), y + pad), _SHADOW, -1)
    cv2.putText(picture, text, (x, y), cv2.FONT_HERSHEY_SIMPLEX, size, _ARM_INK, max(2, round(2 * size)), cv2.LINE_AA)
    # the built-in font has no degree sign
    cv2.circle(picture, (x + text_width + pad, y - text_height + pad // 2), max(3, pad // 2), _ARM_INK, 2, cv2.LINE_AA)
