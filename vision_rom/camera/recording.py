"""Recordings of the printed sheets: which pictures are looked at, and what is found in them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import av
import numpy as np

from vision_rom.camera.calibration import FEWEST_VIEWS, Calibration, calibrate_from
from vision_rom.camera.check import TargetCheck, check_target
from vision_rom.camera.detect import BoardView, find_board, find_target
from vision_rom.camera.fov import FocalRange
from vision_rom.camera.profile import CameraProfile
from vision_rom.camera.use import picture_geometry
from vision_rom.camera.views import BoardFrame, choose_frames, without_moving
from vision_rom.errors import ClipDamaged, ClipMissing, NoPicture, NotAVideo, NothingMeasurable
from vision_rom.handover import Frame

BOARD_RATE_HZ = 10.0
TARGET_RATE_HZ = 3.0
MOST_TARGET_PICTURES = 40

Progress = Callable[[float], None]
"""Told the fraction of the recording that was looked at."""


@dataclass(frozen=True, slots=True)
class CalibratedRecording:
    """What a recording of the board gave."""

    calibration: Calibration
    width_px: int
    height_px: int
    rotation_deg: int
    pictures: int
    with_board: int
    chosen: int


@dataclass(frozen=True, slots=True)
class CheckedRecording:
    """What a recording of the angle target gave."""

    check: TargetCheck
    focal: FocalRange
    off_plane_range_deg: tuple[float, float]
    """Of the camera, over the focal length's range."""
    remarks: tuple[str, ...]


def calibrate_recording(path: Path, *, on_progress: Progress | None = None) -> CalibratedRecording:
    """Find the board in a recording and fit the lens.

    Raises :class:`ClipError` if it cannot be read and :class:`NothingMeasurable` if the board is not in it.
    """
    source = _Recording(path, BOARD_RATE_HZ)
    found: list[BoardFrame] = []
    pictures = 0
    size, rotation_deg = (0, 0), 0
    for frame in source.frames(on_progress):
        pictures += 1
        size, rotation_deg = (frame.rgb.shape[1], frame.rgb.shape[0]), source.rotation_deg
        view: BoardView | None = find_board(frame.rgb)
        if view is not None:
            found.append(BoardFrame(frame.time_s, view))
    if not found:
        raise NothingMeasurable(
            f"The calibration board was found in none of {pictures} pictures of '{path}': print the board of "
            "'vision-rom camera sheets', light it evenly, and let it fill at least a third of the picture."
        )
    still = without_moving(found)
    chosen = choose_frames(still if len(still) >= 2 * FEWEST_VIEWS else found, width_px=size[0], height_px=size[1])
    return CalibratedRecording(
        calibration=calibrate_from(chosen, width_px=size[0], height_px=size[1]),
        width_px=size[0],
        height_px=size[1],
        rotation_deg=rotation_deg,
        pictures=pictures,
        with_board=len(found),
        chosen=len(chosen),
    )


def check_recording(
    path: Path,
    *,
    profile: CameraProfile | None = None,
    zoom: float | None = None,
    equivalent_mm: float | None = None,
    on_progress: Progress | None = None,
) -> CheckedRecording:
    """Read the angle target in a recording.

    Raises :class:`ClipError` if it cannot be read, :class:`NothingMeasurable` if the target is not in it, and
    :class:`UsageError` if the profile does not fit the recording.
    """
    source = _Recording(path, TARGET_RATE_HZ)
    views = []
    geometry = None
    pictures = 0
    for frame in source.frames(on_progress):
        pictures += 1
        if geometry is None:
            height_px, width_px = frame.rgb.shape[:2]
            geometry = picture_geometry(
                width_px=width_px,
                height_px=height_px,
                rotation_deg=source.rotation_deg,
                profile=profile,
                zoom=zoom,
                equivalent_mm=equivalent_mm,
            )
        view = find_target(frame.rgb, lens=geometry.lens if profile is not None else None)
        if view is not None:
            views.append(view)
        if len(views) >= MOST_TARGET_PICTURES:
            break
    if geometry is None or not views:
        raise NothingMeasurable(
            f"The angle target was found in none of {pictures} pictures of '{path}': hang the target of "
            "'vision-rom camera sheets' where the patient will be, flat, evenly lit, and large enough: the large one "
            "beyond 2.5 m."
        )
    low, middle, high = geometry.lenses()
    check = check_target(views, middle, with_profile=profile is not None)
    ends = [check_target(views, lens, with_profile=profile is not None).placement.off_plane_deg for lens in (low, high)]
    off_plane = (*ends, check.placement.off_plane_deg)
    remarks = list(geometry.remarks)
    if check.moved:
        remarks.append("The camera or the sheet moved while it was filmed; the placement is the mean.")
    if check.placement.ambiguous:
        remarks.append(
            "The target is small in the picture: to which side the camera is turned cannot be told for sure."
        )
    return CheckedRecording(check, geometry.focal, (min(off_plane), max(off_plane)), tuple(remarks))


class _Recording:
    """Decoded upright pictures of a file, thinned to a wanted rate."""

    def __init__(self, path: Path, rate_hz: float) -> None:
        self.path = path
        self.rate_hz = rate_hz
        self.rotation_deg = 0

    def frames(self, on_progress: Progress | None) -> Iterator[Frame]:
        if not self.path.is_file():
            raise ClipMissing(f"No recording at '{self.path}'.")
        try:
            container = av.open(str(self.path))
        except (av.FFmpegError, OSError) as error:
            raise NotAVideo(f"'{self.path}' cannot be opened as a recording.") from error
        with container:
            if not container.streams.video:
                raise NoPicture(f"'{self.path}' holds no picture.")
            stream = container.streams.video[0]
            duration_s = float(stream.duration * stream.time_base) if stream.duration and stream.time_base else 0.0
            first_s, due_s, seen = None, 0.0, 0
            try:
                for picture in container.decode(stream):
                    time_s = float(picture.time or 0.0)
                    first_s = time_s if first_s is None else first_s
                    time_s -= first_s
                    seen += 1
                    if time_s + 1e-6 < due_s:
                        continue
                    due_s += 1.0 / self.rate_hz
                    # the container states the turn counter-clockwise
                    self.rotation_deg = round(-picture.rotation / 90) * 90 % 360
                    rgb = np.rot90(picture.to_ndarray(format="rgb24"), -self.rotation_deg // 90)
                    if on_progress is not None and duration_s > 0.0:
                        on_progress(min(1.0, time_s / duration_s))
                    yield Frame(seen - 1, time_s, np.ascontiguousarray(rgb))
            except av.FFmpegError as error:
                if seen == 0:
                    raise ClipDamaged(f"Not one picture of '{self.path}' can be decoded.") from error
