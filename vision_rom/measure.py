"""The pipeline on one page: a recording in, readings out.

Each step is a room's public function and can be called alone with plain arrays; what is chosen here is only the order.
"""

from __future__ import annotations

import math
import os
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any, Literal

from vision_rom.camera.known_length import KnownLength, check_in_picture, scale_of
from vision_rom.camera.lens import Lens
from vision_rom.camera.patient import CameraAsked, CameraOfPatient, camera_of_patient
from vision_rom.clip import open_clip, sha256_of
from vision_rom.errors import UsageError
from vision_rom.examination import measure_recording
from vision_rom.handover import Clip, PoseTrack, Reading, Repetition, Side, SmoothCurve, Step
from vision_rom.motion import Smoothing
from vision_rom.motion.holds import mean_between
from vision_rom.places import in_cm_by_length, in_cm_by_sheet
from vision_rom.pose import PersonAsked, PoseSettings, load_cached, store_cached, track_patient
from vision_rom.readings import Measurement, SideAsked, check_asked, mean_known, measure_landmarks
from vision_rom.ways import DEFAULT_METHOD, Method

__all__ = ["Measurement", "Progress", "find_landmarks", "measure", "measure_with_camera"]

Progress = Callable[[str, float | None], None]
"""Called with the stage and the fraction of it that is done; None where that is not known."""


def measure(
    path: str | os.PathLike[str],
    *,
    movement: str | None = None,
    side: SideAsked = None,
    model: Literal["full", "heavy"] = "full",
    method: Method = DEFAULT_METHOD,
    mirrored: bool = False,
    time_factor: float = 1.0,
    person: PersonAsked = None,
    rate_hz: float | None = 30.0,
    smoothing: Smoothing | None = None,
    camera: CameraAsked | None = None,
    known_length: KnownLength | None = None,
    order: Sequence[Step] = (),
    cache: Path | None = None,
    on_progress: Progress | None = None,
) -> Measurement:
    """Measure a recording from its pictures to its readings.

    Parameters
    ----------
    path
        The recording.
    movement, side
        What was recorded; None chooses (see ``Measurement.choice``).
    model
        Pose network.
    method
        Way from landmarks to angles, see :mod:`vision_rom.ways`.
    mirrored
        The picture itself was flipped left to right, as some selfie cameras do.
    time_factor
        Real seconds per recorded second.
    person
        Which person is the patient: counted from the left, a point (x, y) in pixels on the patient, or ``follower`` for the one who
        copies what another shows, ``leader`` for the other.
    rate_hz
        Pictures a second that are looked at; None looks at every one.
    smoothing
        Settings of the smoothing; None takes the defaults.
    camera
        What is known of the camera. The landmarks are then freed of the lens's distortion, and angles against the vertical of
        the phone's tilt, which is looked for in the recording where it is not stated. None takes the picture as it is.
    known_length
        A length on the patient or beside them, by which a place on the body is given in centimetres too.
    order
        Movements that were asked for, in their order, in a recording of a whole examination. A recording that shows several
        movements is taken for one also without it.
    cache
        Folder where found landmarks are kept and looked for; None neither keeps nor looks.
    on_progress
        Called while it works.

    Raises
    ------
    ClipError
        The recording cannot be read.
    UsageError
        The movement, the side or a setting is not one of those allowed, or a marked point lies outside the picture.
    InstallationError
        A model file or library is missing or altered.

    """
    check_asked(movement, side, method)
    if not time_factor > 0:
        raise UsageError(f"The time factor must be more than 0, not {time_factor:g}.")
    clip, track = find_landmarks(
        Path(path),
        settings=PoseSettings(model=model, person=person),
        mirrored=mirrored,
        time_factor=time_factor,
        rate_hz=rate_hz,
        cache=cache,
        on_progress=on_progress or (lambda stage, fraction: None),
    )
    if known_length is not None:
        check_in_picture(known_length, width_px=track.width_px, height_px=track.height_px)
    settings: dict[str, object] = {
        "model": model,
        "person": person,
        "mirrored": mirrored,
        "time_factor": time_factor,
        "rate_hz": rate_hz,
        "movement": movement,
        "side": side,
        "order": [[step.movement, step.side] for step in order],
    }
    if known_length is not None:
        settings["known_length"] = known_length.words
    straight, lens = track, None
    if camera is None:
        measurement = measure_recording(
            clip, track, movement=movement, side=side, order=order, method=method, smoothing=smoothing
        )
    elif order:
        raise UsageError("A sequence cannot be measured with a camera profile yet; leave out one of the two.")
    else:
        known = camera_of_patient(Path(path), clip, track, camera)
        measurement = measure_with_camera(
            clip, track, known, movement=movement, side=side, method=method, smoothing=smoothing
        )
        straight, lens = known.straight(track), known.geometry.lens
    if known_length is not None:
        measurement = with_known_length(measurement, straight, known_length, lens=lens)
    return replace(measurement, parameters={**settings, **measurement.parameters})


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
        else f"The {known.words} was not used: only the hand behind the back is given in centimetres."
    )
    return replace(measurement, places=places, camera=(*measurement.camera, told))


def find_landmarks(
    path: Path,
    *,
    settings: PoseSettings,
    mirrored: bool,
    time_factor: float,
    rate_hz: float | None,
    cache: Path | None,
    on_progress: Progress,
) -> tuple[Clip, PoseTrack]:
    """Return what is known of the clip and the patient's landmarks, from the cache where they were found before."""
    clip_options = {"mirrored": mirrored, "time_factor": time_factor, "rate_hz": rate_hz}
    if cache is not None:
        found = load_cached(cache, clip_sha256=sha256_of(path), settings=settings, clip_options=clip_options)
        if found is not None:
            clip, track = found
            return replace(clip, path=path), track
    with open_clip(
        path,
        mirrored=mirrored,
        time_factor=time_factor,
        wanted_rate_hz=rate_hz,
        on_progress=lambda fraction: on_progress("finding the patient", fraction),
    ) as reader:
        track = track_patient(reader, width_px=reader.width_px, height_px=reader.height_px, settings=settings)
        clip = reader.clip()
    if cache is not None:
        store_cached(cache, clip=clip, track=track, settings=settings, clip_options=clip_options)
    return clip, track


def measure_with_camera(
    clip: Clip,
    track: PoseTrack,
    known: CameraOfPatient,
    *,
    movement: str | None = None,
    side: SideAsked = None,
    method: Method = DEFAULT_METHOD,
    smoothing: Smoothing | None = None,
) -> Measurement:
    """Measure landmarks freed of the lens's distortion; angles against the vertical are those of a level camera."""
    measurement = measure_landmarks(
        clip, known.straight(track), movement=movement, side=side, method=method, smoothing=smoothing
    )
    readings = measurement.readings
    upright = known.upright(track)
    if upright is not None and measurement.curves:
        level = measure_landmarks(
            clip, upright, movement=readings[0].movement, side=side, method="picture", smoothing=smoothing
        )
        down = known.geometry.level
        plain_deg = {one.side: _half(one.interval95_deg) for one in level.readings if one.status == "measured"}
        ends = [
            measure_landmarks(
                clip, one, movement=readings[0].movement, side=side, method="picture", smoothing=smoothing
            )
            for one in known.upright_ends(track)
        ]
        readings = tuple(
            _with_vertical(
                one,
                _curve_of_side(level, one.side),
                [_curve_of_side(end, one.side) for end in ends],
                plain_half_deg=plain_deg.get(one.side, 0.0),
                down_sd_deg=math.nan if down is None else down.sd_deg,
            )
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


class _Callable(ModuleType):
    """The module itself, answering like its main function.

    Python binds a module to its name in the package on import, so ``vision_rom.measure`` is the function or this
    module, whichever was asked for last; both measure.
    """

    def __call__(self, *args: Any, **kwargs: Any) -> Measurement:
        return measure(*args, **kwargs)


sys.modules[__name__].__class__ = _Callable
