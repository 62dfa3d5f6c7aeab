"""The pipeline on one page: a recording in, readings out.

Each step is a room's public function and can be called alone with plain arrays; what is chosen here is only the order.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any, Literal

from vision_rom.angles.across_body import MARK_SD_WIDTHS
from vision_rom.clip import open_clip, sha256_of
from vision_rom.errors import UsageError
from vision_rom.examination import measure_recording
from vision_rom.handover import ArmMark, Clip, PoseTrack, Step
from vision_rom.motion import Smoothing
from vision_rom.pose import PersonAsked, PoseSettings, load_cached, store_cached, track_patient
from vision_rom.readings import Measurement, SideAsked, check_asked, measure_landmarks
from vision_rom.ways import DEFAULT_METHOD, Method

if TYPE_CHECKING:
    from vision_rom.camera.known_length import KnownLength
    from vision_rom.camera.patient import CameraAsked

__all__ = ["Measurement", "Progress", "find_landmarks", "measure", "measure_landmarks"]

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
    marks: Sequence[ArmMark] = (),
    mark_sd: float = MARK_SD_WIDTHS,
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
    marks
        Elbows that a person marked in the upright picture, for adduction across the body, which is read no other way; several of
        one side are several repetitions.
    mark_sd
        Standard deviation of a mark along one direction, in shoulder widths; it goes into the interval.
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
        from vision_rom.camera.known_length import check_in_picture

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
            clip,
            track,
            movement=movement,
            side=side,
            order=order,
            method=method,
            smoothing=smoothing,
            marks=marks,
            mark_sd=mark_sd,
        )
    else:
        # slow to load, and seldom asked for
        from vision_rom.camera.patient import camera_of_patient
        from vision_rom.known_camera import measure_with_camera

        known = camera_of_patient(Path(path), clip, track, camera)
        measurement = measure_with_camera(
            clip,
            track,
            known,
            movement=movement,
            side=side,
            order=order,
            method=method,
            smoothing=smoothing,
            marks=marks,
            mark_sd=mark_sd,
        )
        straight, lens = known.straight(track), known.geometry.lens
    if known_length is not None:
        from vision_rom.known_camera import with_known_length

        measurement = with_known_length(measurement, straight, known_length, lens=lens)
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
        track = track_patient(
            reader.as_stored(), width_px=reader.width_px, height_px=reader.height_px, settings=settings
        )
        clip = reader.clip()
    if cache is not None:
        store_cached(cache, clip=clip, track=track, settings=settings, clip_options=clip_options)
    return clip, track


class _Callable(ModuleType):
    """The module itself, answering like its main function.

    Python binds a module to its name in the package on import, so ``vision_rom.measure`` is the function or this
    module, whichever was asked for last; both measure.
    """

    def __call__(self, *args: Any, **kwargs: Any) -> Measurement:
        return measure(*args, **kwargs)


sys.modules[__name__].__class__ = _Callable
