"""Recordings of the printed sheets: which pictures are looked at, and what is found in them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from vision_rom.camera.calibration import FEWEST_VIEWS, Calibration, calibrate_from
from vision_rom.camera.check import TargetCheck, check_target
from vision_rom.camera.detect import find_board, find_target
from vision_rom.camera.fov import FocalRange
from vision_rom.camera.placement import Placement
from vision_rom.camera.profile import CameraProfile
from vision_rom.camera.use import picture_geometry
from vision_rom.camera.views import BoardFrame, choose_frames, without_moving
from vision_rom.clip import open_clip
from vision_rom.errors import NothingMeasurable

BOARD_RATE_HZ = 10.0
TARGET_RATE_HZ = 3.0
MOST_TARGET_PICTURES = 40

Progress = Callable[[float | None], None]
"""Told the fraction of the recording that was looked at, None where it cannot be known."""


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
    ends: tuple[Placement, Placement]
    """The camera by the shortest and the longest focal length of its range."""
    remarks: tuple[str, ...]

    def span(self, value: Callable[[Placement], float]) -> tuple[float, float]:
        """Return the least and the largest of one of the placement's numbers over the focal length's range."""
        values = [value(one) for one in (self.check.placement, *self.ends)]
        return min(values), max(values)


def calibrate_recording(path: Path, *, on_progress: Progress | None = None) -> CalibratedRecording:
    """Find the board in a recording and fit the lens.

    Raises :class:`ClipError` if it cannot be read and :class:`NothingMeasurable` if the board is not in it.
    """
    found: list[BoardFrame] = []
    pictures = 0
    with open_clip(path, wanted_rate_hz=BOARD_RATE_HZ, on_progress=on_progress) as reader:
        size, rotation_deg = (reader.width_px, reader.height_px), reader.rotation_deg
        for frame in reader:
            pictures += 1
            view = find_board(frame.rgb)
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
    views = []
    pictures = 0
    with open_clip(path, wanted_rate_hz=TARGET_RATE_HZ, on_progress=on_progress) as reader:
        geometry = picture_geometry(
            width_px=reader.width_px,
            height_px=reader.height_px,
            rotation_deg=reader.rotation_deg,
            profile=profile,
            zoom=zoom,
            equivalent_mm=equivalent_mm,
        )
        for frame in reader:
            pictures += 1
            view = find_target(frame.rgb, lens=geometry.lens if profile is not None else None)
            if view is not None:
                views.append(view)
            if len(views) >= MOST_TARGET_PICTURES:
                break
    if not views:
        raise NothingMeasurable(
            f"The angle target was found in none of {pictures} pictures of '{path}': hang the target of "
            "'vision-rom camera sheets' where the patient will be, flat, evenly lit, and large enough: the large one "
            "beyond 2.5 m."
        )
    low, middle, high = geometry.lenses()
    check = check_target(views, middle, with_profile=profile is not None)
    shortest, longest = (check_target(views, lens, with_profile=profile is not None).placement for lens in (low, high))
    remarks = list(geometry.remarks)
    if check.moved:
        remarks.append("The camera or the sheet moved while it was filmed; the placement is the mean.")
    if check.placement.ambiguous:
        remarks.append(
            "The target is small in the picture: to which side the camera is turned cannot be told for sure."
        )
    return CheckedRecording(check, geometry.focal, (shortest, longest), tuple(remarks))
