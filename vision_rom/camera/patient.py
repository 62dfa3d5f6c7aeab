"""The camera before a patient: profile, focal length and level of one recording, and the landmarks that follow from them.

Down comes from what the user states, else from the angle target hanging in the recording, else from the room's upright
edges where they are sure. Whole pictures are never straightened, only landmarks.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from vision_rom.camera.lens import Lens
from vision_rom.camera.level import level_from_edges
from vision_rom.camera.placement import Level, Unsure, camera_axes
from vision_rom.camera.profile import CameraProfile
from vision_rom.camera.reference import Reference, find_reference
from vision_rom.camera.use import PictureGeometry, level_landmarks, picture_geometry, undistort_landmarks
from vision_rom.clip import open_clip
from vision_rom.handover import Clip, Floats, Frame, PoseTrack
from vision_rom.spool import blocks, empty

LOOKED_AT_HZ = 1.0
MOST_PICTURES = 12
FEWEST_SURE_PICTURES = 3
LEVELS_AGREE_DEG = 1.5
"""Spread of the level over the pictures beyond which the room's edges are not believed. Our own choice."""
ROUND_THE_PATIENT = 0.15
"""Of the patient's box, by which it is widened before the room's edges are looked for."""


@dataclass(frozen=True, slots=True)
class CameraAsked:
    """What the user says of the camera."""

    profile: CameraProfile | None = None
    zoom: float | None = None
    """What the phone showed while recording; None counts as the profile's"""
    equivalent_mm: float | None = None
    """Focal length equivalent to 35 mm film, where there is no profile"""
    level: Level | None = None
    """As stated by the user; None looks for it in the recording"""


@dataclass(frozen=True, slots=True)
class CameraOfPatient:
    """What is known of the camera of one recording."""

    geometry: PictureGeometry
    reference: Reference | None
    """The sheet that hangs in the recording"""
    remarks: tuple[str, ...]
    level_ends: tuple[Level, ...] = ()
    """Down by the shortest and the longest focal length that the camera may have, where it was looked for in the picture"""

    def straight(self, track: PoseTrack) -> PoseTrack:
        """Return the track without the lens's distortion: what angles against the trunk are read from."""
        points = empty(track.landmarks_px.shape)
        for rows in blocks(len(points)):
            points[rows] = undistort_landmarks(track.landmarks_px[rows], self.geometry.lens)
        return replace(track, landmarks_px=points)

    def upright(self, track: PoseTrack) -> PoseTrack | None:
        """Return the straight, level track; None where down is not known.

        Angles against the vertical are read from these alone: on rendered people levelling
        made angles against the trunk no better, and those of the learned method worse (``tests/camera/bench``).
        """
        level = self.geometry.level
        return None if level is None else _levelled(track, self.geometry.lens, level)

    def upright_ends(self, track: PoseTrack) -> tuple[PoseTrack, ...]:
        """Return the level track by the shortest and by the longest focal length; nothing where down is not known."""
        level = self.geometry.level
        if level is None:
            return ()
        low, _, high = self.geometry.lenses()
        levels = self.level_ends or (level, level)
        return tuple(_levelled(track, lens, down) for lens, down in zip((low, high), levels, strict=True))


def _levelled(track: PoseTrack, lens: Lens, level: Level) -> PoseTrack:
    axes = camera_axes(0.0, level.pitch_deg, level.roll_deg)
    points, metres = empty(track.landmarks_px.shape), empty(track.world_m.shape)
    for rows in blocks(len(points)):
        points[rows] = level_landmarks(track.landmarks_px[rows], lens, level)
        # the network's metres lie in the camera's axes
        metres[rows] = track.world_m[rows] @ axes.T
    return replace(track, landmarks_px=points, world_m=metres)


def camera_of_patient(path: Path, clip: Clip, track: PoseTrack, asked: CameraAsked) -> CameraOfPatient:
    """Find out what can be known of the camera of a patient's recording.

    Raises
    ------
    UsageError
        The profile does not lead to this recording (another shape of picture, another zoom).
    ClipError
        The recording cannot be read.

    """
    geometry = picture_geometry(
        width_px=clip.width_px,
        height_px=clip.height_px,
        rotation_deg=clip.rotation_deg,
        profile=asked.profile,
        zoom=asked.zoom,
        equivalent_mm=asked.equivalent_mm,
        level=asked.level,
    )
    frames = list(_some_frames(path, clip))
    low, _, high = geometry.lenses()
    reference = find_reference(frames, geometry.lens, ends=(low, high))
    found = () if reference is None else reference.remarks
    if asked.level is not None:
        how = _in_words(asked.level, "as stated")
        return CameraOfPatient(geometry, reference, (*geometry.remarks, how, *found))
    if reference is not None and reference.level is not None:
        ends = _known_ends(tuple(one.level for one in reference.ends), reference.level)
        how = _in_words(reference.level, "by the angle target in the recording", ends)
        remarks = (*geometry.remarks, *found, how)
        return CameraOfPatient(replace(geometry, level=reference.level), reference, remarks, ends)
    level = level_of_room(frames, geometry.lens, track)
    if isinstance(level, Unsure):
        how = f"How the phone was tilted is not known from the room: {level.reason}."
        return CameraOfPatient(geometry, reference, (*geometry.remarks, *found, how))
    ends = _known_ends(tuple(level_of_room(frames, lens, track) for lens in (low, high)), level)
    how = _in_words(level, "by the room's upright edges", ends)
    return CameraOfPatient(replace(geometry, level=level), reference, (*geometry.remarks, *found, how), ends)


def level_of_room(frames: list[Frame], lens: Lens, track: PoseTrack) -> Level | Unsure:
    """Return the level that the upright edges of several pictures agree on, or say why there is none."""
    found: list[Level] = []
    reason = "there are too few pictures"
    for frame in frames:
        level = level_from_edges(frame.rgb, lens, ignore_boxes_px=_patient_box(track, frame))
        if isinstance(level, Level):
            found.append(level)
        else:
            reason = level.reason
    if len(found) < FEWEST_SURE_PICTURES or 2 * len(found) < len(frames):
        return Unsure(reason)
    down = np.array([one.down for one in found])
    middle = np.median(down, axis=0)
    middle /= np.linalg.norm(middle)
    off_deg = np.degrees(np.arccos(np.clip(down @ middle, -1.0, 1.0)))
    if float(np.median(off_deg)) > LEVELS_AGREE_DEG:
        return Unsure("its upright edges do not agree from picture to picture")
    return Level(middle, float(np.median([one.sd_deg for one in found])), found[0].source)


def _some_frames(path: Path, clip: Clip) -> Iterator[Frame]:
    with open_clip(
        path, mirrored=clip.mirrored, time_factor=clip.time_factor, wanted_rate_hz=LOOKED_AT_HZ / clip.time_factor
    ) as reader:
        for number, frame in enumerate(reader):
            if number == MOST_PICTURES:
                return
            yield frame


def _patient_box(track: PoseTrack, frame: Frame) -> list[tuple[float, float, float, float]]:
    nearest = int(np.argmin(np.abs(track.time_s - frame.time_s))) if len(track.time_s) else -1
    points: Floats = track.landmarks_px[nearest, :, :2] if nearest >= 0 else np.full((1, 2), np.nan)
    if not np.isfinite(points).all():
        return []
    low, high = points.min(axis=0), points.max(axis=0)
    margin = ROUND_THE_PATIENT * (high - low)
    left, top = low - margin
    right, bottom = high + margin
    return [(float(left), float(top), float(right), float(bottom))]


def _known_ends(ends: tuple[Level | Unsure | None, ...], middle: Level) -> tuple[Level, ...]:
    """Return the levels at the ends of the focal length's range; where one gave none, the middle's stands for it."""
    return tuple(one if isinstance(one, Level) else middle for one in ends)


def _in_words(level: Level, source: str, ends: tuple[Level, ...] = ()) -> str:
    by_focal_deg = max((abs(one.pitch_deg - level.pitch_deg) for one in ends), default=0.0)
    return (
        f"The phone was tipped {abs(level.pitch_deg):.0f} deg {'up' if level.pitch_deg >= 0 else 'down'} and rolled "
        f"{abs(level.roll_deg):.0f} deg {'clockwise' if level.roll_deg >= 0 else 'anticlockwise'} {source} (give or take "
        f"{np.hypot(2 * level.sd_deg, by_focal_deg):.1f}); angles against the vertical allow for it."
    )
