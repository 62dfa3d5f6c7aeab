"""A measurement with what is known of the camera, and of a length in the picture."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from vision_rom.angles.across_body import MARK_SD_WIDTHS
from vision_rom.camera.known_length import KnownLength, scale_of
from vision_rom.camera.lens import Lens
from vision_rom.camera.patient import CameraOfPatient
from vision_rom.examination import measure_recording
from vision_rom.handover import ArmMark, Clip, PoseTrack, Reading, Repetition, Side, SmoothCurve, Step
from vision_rom.motion import Smoothing
from vision_rom.motion.holds import mean_between
from vision_rom.parts import part_of
from vision_rom.places import in_cm_by_length, in_cm_by_sheet
from vision_rom.readings import Measurement, SideAsked, mean_known, measure_landmarks
from vision_rom.ways import DEFAULT_METHOD, Method

REST_S = 1.0
"""Rest that is looked at along with a movement's repetitions. Our own choice."""


def with_known_length(
    measurement: Measurement, straight: PoseTrack, known: KnownLength, *, lens: Lens | None
) -> Measurement:
    """Return the measurement with its ratios as centimetres by a known length, and with a sentence on the scale.

    ``straight`` has no distortion where the ``lens`` is known. A length that the user named goes before a sheet on the wall.
    """
    scale = scale_of(known, straight.landmarks_px, lens)
    if scale is None:
        told = f"The {known.words} gave no scale, for it was not seen in the recording."
        return replace(measurement, camera=(*measurement.camera, told))
    places = tuple(in_cm_by_length(one, straight, scale, source=f"the {known.words}") for one in measurement.places)
    told = (
        f"Scale by the {known.words}: {1000.0 * scale.m_per_px:.2f} mm a pixel, give or take {1.96 * scale.relative_sd:.0%}."
        if any(one.cm_from for one in places)
        else f"The {known.words} was not used: only the hand behind the back and the marked elbow across the body are given in centimetres."
    )
    return replace(measurement, places=places, camera=(*measurement.camera, told))


def measure_with_camera(
    clip: Clip,
    track: PoseTrack,
    known: CameraOfPatient,
    *,
    movement: str | None = None,
    side: SideAsked = None,
    order: Sequence[Step] = (),
    method: Method = DEFAULT_METHOD,
    smoothing: Smoothing | None = None,
    marks: Sequence[ArmMark] = (),
    mark_sd: float = MARK_SD_WIDTHS,
) -> Measurement:
    """Measure landmarks freed of the lens's distortion; angles against the vertical are those of a level camera.

    Parameters are those of :func:`vision_rom.examination.measure_recording`; ``known`` is what is known of the camera.
    """
    straight_marks = tuple(_straight(one, known.geometry.lens) for one in marks)
    measurement = measure_recording(
        clip,
        known.straight(track),
        marks=straight_marks,
        mark_sd=mark_sd,
        movement=movement,
        side=side,
        order=order,
        method=method,
        smoothing=smoothing,
        focal_px=known.geometry.focal.focal_px,
    )
    as_marked = dict(zip(straight_marks, marks, strict=True))
    readings = tuple(
        replace(reading, marks=tuple(as_marked[one] for one in reading.marks)) for reading in measurement.readings
    )
    upright = known.upright(track)
    if upright is not None and measurement.curves:
        readings = tuple(
            _with_level(clip, track, known, one, part=bool(measurement.segments), smoothing=smoothing)
            if one.status == "measured" and not one.marks
            else one
            for one in readings
        )
    geometry = known.geometry
    parameters = {
        **measurement.parameters,
        "camera": {
            "focal_px": round(geometry.focal.focal_px, 1),
            "focal_range_px": [round(geometry.focal.low_px, 1), round(geometry.focal.high_px, 1)],
            "focal_from": geometry.focal.source,
            "level_from": None if geometry.level is None else geometry.level.source,
        },
    }
    places = measurement.places
    if known.reference is not None:
        sheet_ends = [one.scale for one in known.reference.ends]
        places = tuple(in_cm_by_sheet(one, track, known.reference.scale, ends=sheet_ends) for one in places)
    # the pictures of the result show the recording as it is, so the landmarks beside them do too
    return replace(
        measurement, track=track, readings=readings, places=places, camera=known.remarks, parameters=parameters
    )


def _straight(mark: ArmMark, lens: Lens) -> ArmMark:
    """Return a mark where it lies in the picture without the lens's distortion, as the landmarks do."""
    points = [one for one in (mark.elbow_px, mark.shoulder_px) if one is not None]
    elbow, *shoulder = ((float(x), float(y)) for x, y in lens.straighten(np.array(points)))
    return replace(mark, elbow_px=elbow, shoulder_px=shoulder[0] if shoulder else None)


def _with_level(
    clip: Clip, track: PoseTrack, known: CameraOfPatient, reading: Reading, *, part: bool, smoothing: Smoothing | None
) -> Reading:
    """Return a reading with its values against the vertical of a level camera.

    ``part``: of a recording of several movements only the reading's own time is looked at, for the patient turned between them.
    """
    repetitions = reading.repetitions
    from_s, to_s = (repetitions[0].start_s - REST_S, repetitions[-1].end_s + REST_S) if part else (-math.inf, math.inf)
    piece = part_of(track, from_s, to_s)

    def plainly(landmarks: PoseTrack) -> Measurement:
        return measure_landmarks(
            clip, landmarks, movement=reading.movement, side=reading.side, method="picture", smoothing=smoothing
        )

    upright = known.upright(piece)
    assert upright is not None
    level, ends = plainly(upright), [plainly(one) for one in known.upright_ends(piece)]
    [plain] = level.readings
    down = known.geometry.level
    return _with_vertical(
        reading,
        _curve_of_side(level, reading.side),
        [_curve_of_side(end, reading.side) for end in ends],
        plain_half_deg=_half(plain.interval95_deg) if plain.status == "measured" else 0.0,
        down_sd_deg=math.nan if down is None else down.sd_deg,
    )


def _with_vertical(
    reading: Reading,
    level: SmoothCurve | None,
    ends: Sequence[SmoothCurve | None],
    *,
    plain_half_deg: float,
    down_sd_deg: float,
) -> Reading:
    """Take the vertical-referenced values over from a level curve, over the same holds, with their interval.

    ``ends`` are the curves by the shortest and the longest focal length; ``plain_half_deg`` is how unsure the plain angle in the
    picture is, by which the vertical is read whatever the method. An error of down turns the arm by as much at most.
    """
    if level is None or reading.status != "measured":
        return reading
    repetitions = tuple(replace(one, vertical_held_deg=_vertical_in(level, one)) for one in reading.repetitions)
    vertical = mean_known([one.vertical_held_deg for one in repetitions])
    others = [mean_known([_vertical_in(end, one) for one in repetitions]) for end in ends if end is not None]
    by_focal = max((abs(one - vertical) for one in others if math.isfinite(one)), default=0.0)
    half = math.hypot(max(_half(reading.interval95_deg), plain_half_deg), 1.96 * down_sd_deg, by_focal)
    interval = (vertical - half, vertical + half)
    return replace(reading, repetitions=repetitions, vertical_held_deg=vertical, vertical95_deg=interval)


def _half(interval: tuple[float, float]) -> float:
    return (interval[1] - interval[0]) / 2


def _curve_of_side(measurement: Measurement, side: Side) -> SmoothCurve | None:
    return next((one for one in measurement.curves if one.source.side == side), None)


def _vertical_in(curve: SmoothCurve, repetition: Repetition) -> float:
    return mean_between(curve, curve.vertical_deg, from_s=repetition.hold_start_s, to_s=repetition.hold_end_s)
