"""The pipeline on one page: a recording in, readings out.

Each step is a room's public function and can be called alone with plain arrays; what is chosen here is only the order.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from types import ModuleType
from typing import Any, Literal

import numpy as np

from vision_rom.angles import ViewEstimate, find_view
from vision_rom.angles.camera_tilt import camera_tilt_deg
from vision_rom.angles.filming import filming_remarks
from vision_rom.camera.patient import CameraAsked, CameraOfPatient, camera_of_patient
from vision_rom.clip import open_clip, sha256_of
from vision_rom.errors import UsageError
from vision_rom.handover import SIDES, Clip, PoseTrack, Reading, Repetition, Side, SmoothCurve
from vision_rom.learned import load_camera_tilt
from vision_rom.motion import RepetitionResult, Smoothing, choose_movement, repetitions, smooth
from vision_rom.motion.compensations import compensations
from vision_rom.motion.holds import mean_between
from vision_rom.motion.recognition import RECOGNISED
from vision_rom.movements import Movement
from vision_rom.movements import movement as movement_named
from vision_rom.pain import Finding, ReadingPain
from vision_rom.pose import PoseSettings, load_cached, store_cached, track_patient
from vision_rom.ways import (
    DEFAULT_METHOD,
    METHOD_WORDS,
    METHODS,
    WIDEST_HALF_WIDTH_DEG,
    Method,
    RawCurve,
    intervals,
    plane_of,
    raw_curve,
    too_unsure,
)

Progress = Callable[[str, float | None], None]
"""Called with the stage and the fraction of it that is done; None where that is not known."""

SideAsked = Literal["left", "right", "both"] | None
UNKNOWN_MOVEMENT = "unknown"
LEAST_PICTURE_PX = 100
"""In a smaller picture nobody can be expected to be found. Our own choice, no source."""


@dataclass(frozen=True)
class Measurement:
    """Everything that one recording gave."""

    clip: Clip
    track: PoseTrack
    curves: tuple[SmoothCurve, ...]
    readings: tuple[Reading, ...]
    choice: str
    """Which movement and side were measured, and why."""
    parameters: dict[str, object] = field(default_factory=dict)
    """Every setting that the numbers depend on."""
    filming: tuple[str, ...] = ()
    """What about the filming costs accuracy, each with the instruction that mends it."""
    camera: tuple[str, ...] = ()
    """What is known of the camera and how, where the user asked for it."""
    pain: tuple[ReadingPain, ...] = ()
    """Pain of each reading, in their order; empty where nobody recorded pain."""
    findings: tuple[Finding, ...] = ()
    """What the examiner found besides angles."""


def measure(
    path: str | os.PathLike[str],
    *,
    movement: str | None = None,
    side: SideAsked = None,
    model: Literal["full", "heavy"] = "full",
    method: Method = DEFAULT_METHOD,
    mirrored: bool = False,
    time_factor: float = 1.0,
    person: int | tuple[float, float] | None = None,
    rate_hz: float | None = 30.0,
    smoothing: Smoothing | None = None,
    camera: CameraAsked | None = None,
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
        Which person is the patient, counted from the left, or a point (x, y) in pixels on the patient.
    rate_hz
        Pictures a second that are looked at; None looks at every one.
    smoothing
        Settings of the smoothing; None takes the defaults.
    camera
        What is known of the camera. The landmarks are then freed of the lens's distortion, and angles against the vertical of
        the phone's tilt, which is looked for in the recording where it is not stated. None takes the picture as it is.
    cache
        Folder where found landmarks are kept and looked for; None neither keeps nor looks.
    on_progress
        Called while it works.

    Raises
    ------
    ClipError
        The recording cannot be read.
    UsageError
        The movement, the side or a setting is not one of those allowed.
    InstallationError
        A model file or library is missing or altered.

    """
    _check_asked(movement, side, method)
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
    settings = {"model": model, "person": person, "mirrored": mirrored, "time_factor": time_factor, "rate_hz": rate_hz}
    if camera is None:
        measurement = measure_landmarks(clip, track, movement=movement, side=side, method=method, smoothing=smoothing)
    else:
        known = camera_of_patient(Path(path), clip, track, camera)
        measurement = measure_with_camera(
            clip, track, known, movement=movement, side=side, method=method, smoothing=smoothing
        )
    return replace(measurement, parameters={**settings, **measurement.parameters})


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


def measure_landmarks(
    clip: Clip,
    track: PoseTrack,
    *,
    movement: str | None = None,
    side: SideAsked = None,
    method: Method = DEFAULT_METHOD,
    smoothing: Smoothing | None = None,
    widest_half_width_deg: float = WIDEST_HALF_WIDTH_DEG,
) -> Measurement:
    """Measure a patient whose landmarks are known already: view, angles, smoothing, repetitions, readings.

    A reading whose interval is wider than ``widest_half_width_deg`` either way is refused.
    """
    _check_asked(movement, side, method)
    smoothing = smoothing or Smoothing()
    view = find_view(track.landmarks_px, track.visibility, track.world_m, network=track.model.name)
    filming = filming_remarks(track, view, camera_tilt_deg(track, view.view, load_camera_tilt()))
    names = (movement,) if movement else RECOGNISED
    raw = {(name, one): raw_curve(track, movement_named(name), one, view, method) for name in names for one in SIDES}
    curves = {key: smooth(one.curve, settings=smoothing) for key, one in raw.items()}
    choice = choose_movement(curves, view=view.view, wanted=movement, side=side)
    why_nobody = _why_nobody(track)
    chosen = choice.movement
    sides = choice.sides or _asked(side)
    if why_nobody or chosen is None:
        reason = why_nobody or f"{choice.why} Name the movement with --movement."
        name = movement or UNKNOWN_MOVEMENT
        readings = tuple(_refused(name, _joint(movement), one, reason, view) for one in sides)
        return Measurement(clip, track, (), readings, choice.why, _parameters(smoothing, method), filming)
    kept = [curves[chosen, one] for one in sides]
    readings = tuple(
        read_curve(
            curve,
            raw[chosen, curve.source.side],
            movement_named(chosen),
            track,
            view,
            widest_half_width_deg=widest_half_width_deg,
        )
        for curve in kept
    )
    return Measurement(clip, track, tuple(kept), readings, choice.why, _parameters(smoothing, method), filming)


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
        curves = {one.source.side: one for one in level.curves}
        readings = tuple(_with_vertical(one, curves.get(one.side)) for one in readings)
    geometry = known.geometry
    parameters = {
        **measurement.parameters,
        "camera": {
            "focal_px": round(geometry.focal.focal_px, 1),
            "focal_from": geometry.focal.source,
            "level_from": None if geometry.level is None else geometry.level.source,
        },
    }
    # the pictures of the result show the recording as it is, so the landmarks beside them do too
    return replace(measurement, track=track, readings=readings, camera=known.remarks, parameters=parameters)


def _with_vertical(reading: Reading, level: SmoothCurve | None) -> Reading:
    """Take the vertical-referenced values over from a level curve, over the same holds."""
    if level is None or reading.status != "measured":
        return reading
    repetitions = tuple(
        replace(
            one,
            vertical_held_deg=mean_between(level, level.vertical_deg, from_s=one.hold_start_s, to_s=one.hold_end_s),
        )
        for one in reading.repetitions
    )
    vertical = _mean([one.vertical_held_deg for one in repetitions])
    return replace(reading, repetitions=repetitions, vertical_held_deg=vertical)


def read_curve(
    curve: SmoothCurve,
    raw: RawCurve,
    movement: Movement,
    track: PoseTrack,
    view: ViewEstimate,
    *,
    widest_half_width_deg: float = WIDEST_HALF_WIDTH_DEG,
) -> Reading:
    """Turn one smoothed curve into the reading of its movement and side, or into the reason why there is none."""
    side = curve.source.side
    found = repetitions(curve)
    plane = plane_of(movement, track, side, view)
    # a rotation is seen squarely when the trunk faces the camera
    off_plane_deg = abs(view.facing_deg) if plane is None else plane.off_plane_deg
    if not found.kept:
        reason = _why_none(curve, found)
        return replace(_refused(movement.name, movement.joint, side, reason, view), camera_off_plane_deg=off_plane_deg)
    kept, reading95_deg = intervals(found.kept, curve, raw, movement, track, view, plane)
    reason = too_unsure(reading95_deg, widest_deg=widest_half_width_deg)
    if reason:
        return replace(_refused(movement.name, movement.joint, side, reason, view), camera_off_plane_deg=off_plane_deg)
    held = [one.held_deg for one in kept]
    dropped = [f"{one.start_s:.1f} to {one.end_s:.1f} s left out: {one.reason}" for one in found.dropped]
    return Reading(
        joint=movement.joint,
        movement=movement.name,
        side=side,
        status="measured",
        reason=None,
        view=view.view,
        camera_off_plane_deg=off_plane_deg,
        repetitions=kept,
        held_deg=float(np.mean(held)),
        peak_deg=max(one.peak_deg for one in kept),
        interval95_deg=reading95_deg,
        vertical_held_deg=_mean([one.vertical_held_deg for one in kept]),
        compensations=_helped(movement, track, kept, side, view),
        remarks=(*view.remarks, *curve.source.remarks, *found.remarks, *dropped),
    )


def _helped(
    movement: Movement, track: PoseTrack, kept: tuple[Repetition, ...], side: Side, view: ViewEstimate
) -> tuple[str, ...]:
    """Sentences for what the trunk and the elbow did; a rotation has its elbow bent by definition."""
    found = compensations(track, kept, side=side, view=view.view)
    return tuple(
        one.in_words()
        for one in found
        if one.told and not (one.name == "elbow bend" and movement.kind == "axial_rotation")
    )


def _why_nobody(track: PoseTrack) -> str:
    if not np.isfinite(track.landmarks_px).any():
        if min(track.width_px, track.height_px) < LEAST_PICTURE_PX:
            return (
                f"No person was found, for the picture is {track.width_px} x {track.height_px} px only; record at "
                "480 px or more and send the original file."
            )
        return "No person was found in the recording; film the whole upper body and the hips, in good light, from 2 to 4 m."
    return ""


def _why_none(curve: SmoothCurve, found: RepetitionResult) -> str:
    """Say why a curve gave no repetition: what hid the landmarks first, then what the arm did."""
    nothing_seen = not np.isfinite(curve.source.angle_deg).any()
    sentences = [*(curve.source.remarks if nothing_seen else ())]
    if not sentences:
        sentences = [
            *(f"{one.start_s:.1f} to {one.end_s:.1f} s: {one.reason}." for one in found.dropped),
            *found.remarks,
        ]
        sentences += curve.source.remarks
    return " ".join(sentences) or "No repetition was found."


def _refused(name: str, joint: str, side: Side, reason: str, view: ViewEstimate) -> Reading:
    return Reading(joint, name, side, "not_measured", reason, view.view, float("nan"))


def _joint(movement: str | None) -> str:
    return movement_named(movement).joint if movement else "shoulder"


def _asked(side: SideAsked) -> tuple[Side, ...]:
    return SIDES if side is None or side == "both" else (side,)


def _check_asked(movement: str | None, side: SideAsked, method: Method) -> None:
    if movement is not None and movement_named(movement).status != "measured":
        raise UsageError(f"The movement {movement!r} is in the catalogue, but this version does not measure it yet.")
    if side not in (None, "left", "right", "both"):
        raise UsageError(f"The side must be left, right or both, not {side!r}.")
    if method not in METHODS:
        raise UsageError(f"The method must be {' or '.join(METHODS)}, not {method!r}.")


def _parameters(smoothing: Smoothing, method: Method) -> dict[str, object]:
    return {"method": method, "method_in_words": METHOD_WORDS[method], "smoothing": asdict(smoothing)}


def _mean(values: list[float]) -> float:
    finite = [value for value in values if np.isfinite(value)]
    return float(np.mean(finite)) if finite else float("nan")


class _Callable(ModuleType):
    """The module itself, answering like its main function.

    Python binds a module to its name in the package on import, so ``vision_rom.measure`` is the function or this
    module, whichever was asked for last; both measure.
    """

    def __call__(self, *args: Any, **kwargs: Any) -> Measurement:
        return measure(*args, **kwargs)


sys.modules[__name__].__class__ = _Callable
