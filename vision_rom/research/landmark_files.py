"""Landmarks that somebody has already, as a track of our own, so that recordings need not be shared.

Files that are read
-------------------
CSV or Parquet, one row for each landmark in each picture
    ``landmark`` (a name of :class:`vision_rom.handover.Landmark` in small letters), ``x_px``, ``y_px``, and ``time_s`` or
    ``frame_index``; also ``z_px``, ``x_m``, ``y_m``, ``z_m``, ``visibility``, ``width_px``, ``height_px``. The ``frames``
    table of a batch is of this form: rows whose ``kind`` is not ``landmark`` are passed over.
JSON of our own
    An object with ``schema`` = ``vision-rom/landmarks/1``, ``frames`` (a list of objects from landmark name to
    [x, y] or [x, y, z] in pixels), ``time_s`` (a list) or ``rate_hz``, and ``width_px``, ``height_px``; also ``visibility``
    (objects from name to 0..1) and ``world_m`` (objects from name to [x, y, z]), one for each frame.
JSON of others
    A list of pictures, each an object from landmark name to {"x": , "y": , "score": } in pixels, or each a list of 33
    [x, y, z] in pixels; an object ``positions`` from picture number to joint name to [x, y] or [x, y, z] as shares of the
    picture's width and height.
TXT
    A row a picture, for each of 25 body joints of a depth camera three coordinates in metres and four of a rotation.

Pixels are those of the upright picture, x to the right, y down. (0, 0) means "not found".
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from vision_rom.clip import sha256_of
from vision_rom.clip.files import shown_name
from vision_rom.errors import ClipDamaged, UsageError
from vision_rom.handover import Bools, Clip, Floats, Landmark, PoseModel, PoseTrack
from vision_rom.outside_text import json_of
from vision_rom.research import landmark_forms as forms

SCHEMA_NAME = "vision-rom/landmarks/1"
_LARGEST = 1e7
"""Of a coordinate in any unit: beyond it, sums and squares of later steps overflow sooner or later"""
LIMITS_REMARK = (
    "The landmarks came from a file: the interval takes them for as exact as those of this program's own network, which "
    "nobody has checked."
)


@dataclass(frozen=True, slots=True)
class LandmarkFacts:
    """What a file of landmarks may leave unsaid."""

    rate_hz: float | None = None
    width_px: int | None = None
    height_px: int | None = None


def read_landmarks(path: Path, facts: LandmarkFacts | None = None) -> tuple[Clip, PoseTrack]:
    """Return what is known of the recording behind a file of landmarks, and the landmarks as a track.

    Raises
    ------
    ClipMissing
        The file is not there.
    ClipDamaged
        It is of none of the forms above, or breaks its own; the sentence says where.
    UsageError
        It has no times and no rate was given, or shares of a picture whose size was not given.

    """
    given = facts or LandmarkFacts()
    checksum = sha256_of(path)
    name = shown_name(path)
    try:
        # what overflows is refused below
        with np.errstate(over="ignore", invalid="ignore"):
            found = _read(path, name, given)
    except (ValueError, KeyError, TypeError, IndexError, AttributeError, OverflowError, OSError) as error:
        # OSError: what the reader of Parquet raises for a damaged file
        raise ClipDamaged(
            f"{name} cannot be read as landmarks ({_plain(error)}); see the forms in the documentation."
        ) from error
    if not len(found.points_px):
        raise ClipDamaged(f"{name} holds no picture with landmarks.")
    if any(bool((np.abs(one) > _LARGEST).any()) for one in (found.points_px, found.world_m, found.visibility)):
        raise ClipDamaged(f"{name} holds a number beyond {_LARGEST:g}, where no picture and no room reaches.")
    return _joined(path, name, checksum, found, given)


def _read(path: Path, name: str, given: LandmarkFacts) -> forms.Found:
    ending = path.suffix.lower()
    if ending in (".csv", ".parquet"):
        import pandas as pd

        if ending == ".csv":
            table = pd.read_csv(path)
        else:
            from vision_rom.research.libraries import pyarrow_parquet

            table = pyarrow_parquet().read_table(path, partitioning=None).to_pandas()
        return forms.from_long_table(table)
    if ending == ".txt":
        return forms.from_depth_camera_rows(np.loadtxt(path, ndmin=2))
    return _from_json(json_of(path.read_bytes(), finite=False), name, given)


def _from_json(content: Any, name: str, given: LandmarkFacts) -> forms.Found:
    if isinstance(content, Mapping) and content.get("schema") == SCHEMA_NAME:
        return forms.from_own_json(content)
    if isinstance(content, Mapping) and "positions" in content:
        if given.width_px is None or given.height_px is None:
            raise UsageError(
                f"{name} holds shares of a picture and not its size; give width_px and height_px in the manifest's row."
            )
        return forms.from_shares(content["positions"], given.width_px, given.height_px)
    if isinstance(content, list):
        return forms.from_list(content)
    raise ValueError("none of the known forms")


def _joined(path: Path, name: str, checksum: str, found: forms.Found, given: LandmarkFacts) -> tuple[Clip, PoseTrack]:
    count = len(found.points_px)
    time_s = _times(found, given, name)
    width_px, height_px, guessed = _size(found, given)
    steps = np.diff(time_s)
    step = float(np.median(steps)) if count > 1 else float("nan")
    rate_hz = 1 / step if step > 0 else float("nan")
    remarks = [LIMITS_REMARK, *found.remarks]
    if guessed:
        remarks.append("The picture's size was not given and is taken from where the landmarks lie.")
    clip = Clip(
        path=path,
        sha256=checksum,
        duration_s=float(time_s[-1] - time_s[0]) + (step if math.isfinite(step) else 0.0),
        frames_decoded=count,
        frame_rate_hz=rate_hz,
        variable_frame_rate=bool(count > 2 and np.ptp(steps) > 0.25 * step),
        rotation_deg=0,
        mirrored=False,
        width_px=width_px,
        height_px=height_px,
        codec="landmarks",
        gaps_s=tuple((float(time_s[i]), float(time_s[i + 1])) for i in np.flatnonzero(steps > 2.5 * step)),
    )
    seen: Bools = np.asarray(np.isfinite(found.points_px[..., :2]).all(axis=2), np.bool_)
    anybody: Bools = np.asarray(seen.any(axis=1), np.bool_)
    if not seen.any():
        raise ClipDamaged(f"{name} holds no landmark with a place in the picture.")
    visibility = np.where(seen, np.where(np.isfinite(found.visibility), found.visibility, 1.0), np.nan)
    # a landmark that the file does not have is unseen, not unknown, in a picture that shows the patient
    visibility = np.where(anybody[:, None] & ~seen, 0.0, visibility)
    track = PoseTrack(
        time_s=time_s,
        frame_index=found.frame_index if len(found.frame_index) else np.arange(count, dtype=np.int64),
        landmarks_px=found.points_px,
        visibility=visibility,
        world_m=found.world_m,
        width_px=width_px,
        height_px=height_px,
        model=PoseModel("imported", checksum, f"landmark file, {found.form}"),
        people=anybody.astype(np.int64),
        ambiguous=np.zeros(count, np.bool_),
        exchanged=np.zeros(count, np.bool_),
        remarks=tuple(remarks),
    )
    return clip, track


def _times(found: forms.Found, given: LandmarkFacts, name: str) -> Floats:
    count = len(found.points_px)
    if np.ndim(found.time_s) != 1:
        raise ClipDamaged(f"{name}: 'time_s' is no list of numbers, one for each picture.")
    if len(found.time_s):
        time_s = np.asarray(found.time_s, np.float64)
    else:
        rate_hz = given.rate_hz or found.rate_hz
        if rate_hz is None:
            raise UsageError(
                f"{name} has no times; give landmark_rate_hz, the pictures a second, in the manifest's row."
            )
        index = found.frame_index if len(found.frame_index) else np.arange(count)
        time_s = (index - index[0]) / rate_hz
    if len(time_s) != count or not np.isfinite(time_s).all() or (np.diff(time_s) <= 0).any():
        raise ClipDamaged(f"{name}: the times do not grow from picture to picture, or are not as many as the pictures.")
    return time_s


def _size(found: forms.Found, given: LandmarkFacts) -> tuple[int, int, bool]:
    width_px, height_px = given.width_px or found.width_px, given.height_px or found.height_px
    guessed = width_px is None or height_px is None
    with np.errstate(invalid="ignore"):
        flat = found.points_px[..., :2].reshape(-1, 2)
        flat = flat[np.isfinite(flat).all(axis=1)]
    most = flat.max(axis=0) if len(flat) else np.ones(2)
    wide = width_px or max(math.ceil(float(most[0])) + 1, 1)
    high = height_px or max(math.ceil(float(most[1])) + 1, 1)
    return int(wide), int(high), guessed


def own_json(track: PoseTrack) -> dict[str, Any]:
    """Return a track as the JSON form above, so that it can be handed on without the recording."""

    def named(values: Floats, digits: int) -> list[dict[str, Any]]:
        return [
            {
                one.name.lower(): np.round(row[one], digits).tolist()
                for one in Landmark
                if np.isfinite(np.atleast_1d(row[one])).all()
            }
            for row in values
        ]

    return {
        "schema": SCHEMA_NAME,
        "width_px": track.width_px,
        "height_px": track.height_px,
        "time_s": np.round(track.time_s, 6).tolist(),
        "frames": named(track.landmarks_px, 3),
        "visibility": named(track.visibility, 4),
        "world_m": named(track.world_m, 5),
    }


def _plain(error: Exception) -> str:
    text = f"missing {error}" if isinstance(error, KeyError) else str(error)
    return " ".join(text.split())[:160]
