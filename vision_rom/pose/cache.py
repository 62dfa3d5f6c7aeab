"""Landmarks found before, kept in one file for each recording, network and settings.

A file is a NumPy archive: the arrays of the track, and the other facts as JSON text. It is written beside its final
place and renamed, so that no reader meets half of one; a damaged or foreign file is as good as none. The landmarks
tell how a person moved but show nobody; no picture is kept.
"""

from __future__ import annotations

import hashlib
import json
import logging
import zipfile
from collections.abc import Mapping
from dataclasses import asdict, fields
from pathlib import Path
from typing import IO, Any, Final

import numpy as np
from numpy.typing import NDArray

from vision_rom.handover import Clip, Landmark, PoseModel, PoseTrack
from vision_rom.pose.landmarker import pose_model
from vision_rom.pose.settings import PoseSettings
from vision_rom.spool import LONG, blocks, empty
from vision_rom.whole_files import whole_file

FORMAT: Final = "vision-rom/landmarks/3"
"""Part of every key: change it when what is found, or how it is kept, changes."""
_ARRAYS: Final = ("time_s", "frame_index", "landmarks_px", "visibility", "world_m", "people", "ambiguous", "exchanged")
_ADDED: Final = ("brightness", "between")
"""Arrays that files from before they were kept do not have; an empty one stands in."""
_AT_A_TIME: Final = 1 << 18
"""Numbers that are read or written together"""
_log = logging.getLogger(__name__)

ClipOption = str | float | int | bool | None


def load_cached(
    folder: Path, *, clip_sha256: str, settings: PoseSettings, clip_options: Mapping[str, ClipOption]
) -> tuple[Clip, PoseTrack] | None:
    """Return the recording's facts and the patient's landmarks if they were kept under exactly this key.

    ``clip_options`` are the settings of decoding that change what the pose room is shown. None where nothing was
    kept, or where the file is damaged.
    """
    key = _key(clip_sha256, settings, clip_options)
    try:
        # opened here, since NumPy leaves a damaged file open
        with _place(folder, key).open("rb") as file, np.load(file, allow_pickle=False) as archive:
            facts = json.loads(bytes(archive["facts"]).decode())
            if facts["key"] != key:
                return None
            arrays: dict[str, Any] = {name: _member(archive, name) for name in _ARRAYS}
            arrays |= {name: _member(archive, name) for name in _ADDED if name in archive}
        clip = Clip(**{**_tuples(facts["clip"]), "path": Path(facts["clip"]["path"])})
        track = PoseTrack(**arrays, model=PoseModel(**facts["model"]), **_tuples(facts["track"]))
        _check(track)
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError, EOFError, zipfile.BadZipFile, AttributeError) as error:
        _log.warning("kept landmarks in %s cannot be used and are found again (%s)", folder, error)
        return None
    return clip, track


def store_cached(
    folder: Path, *, clip: Clip, track: PoseTrack, settings: PoseSettings, clip_options: Mapping[str, ClipOption]
) -> bool:
    """Keep a recording's facts and landmarks; return whether that worked.

    A folder that cannot be written costs time on the next run, but no result, so it raises nothing.
    """
    key = _key(clip.sha256, settings, clip_options)
    facts = {
        "key": key,
        # the file's name only: where a patient's recording lies is nobody's business
        "clip": {**asdict(clip), "path": clip.path.name},
        "model": asdict(track.model),
        "track": {"width_px": track.width_px, "height_px": track.height_px, "remarks": track.remarks},
    }
    members: dict[str, NDArray[Any]] = {name: getattr(track, name) for name in (*_ARRAYS, *_ADDED)}
    members["facts"] = np.frombuffer(json.dumps(facts).encode(), np.uint8)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with whole_file(_place(folder, key)) as file, zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
            for name, values in members.items():
                with archive.open(f"{name}.npy", "w", force_zip64=True) as member:
                    _write(member, values)
    except OSError as error:
        _log.warning("landmarks cannot be kept in %s (%s)", folder, error.strerror or error)
        return False
    return True


def _write(member: IO[bytes], values: NDArray[Any]) -> None:
    """Write an array as ``numpy.save`` does, some of it at a time: what of it lies on the disk must not come into memory as a whole."""
    np.lib.format.write_array_header_1_0(member, np.lib.format.header_data_from_array_1_0(values))
    by_columns = values.flags.f_contiguous and not values.flags.c_contiguous
    flat = (values.T if by_columns else np.ascontiguousarray(values)).reshape(-1)
    for part in blocks(len(flat), _AT_A_TIME):
        member.write(flat[part].tobytes())


def _member(archive: np.lib.npyio.NpzFile, name: str) -> NDArray[Any]:
    """Return an array of an archive; a long one lies on the disk (:mod:`vision_rom.spool`) and is never in memory as a whole."""
    if archive.zip is None:
        raise ValueError("the archive is closed")
    with archive.zip.open(f"{name}.npy") as member:
        version = np.lib.format.read_magic(member)
        if version != (1, 0):
            raise ValueError(f"{name} is kept in an unknown format")
        shape, by_columns, dtype = np.lib.format.read_array_header_1_0(member)
        if not shape or shape[0] < LONG or dtype.hasobject:
            return np.asarray(archive[name])
        values = empty(shape, dtype)
        # what is read in turn: numbers, or rows of them
        turn = values.T.reshape(-1) if by_columns else values
        row = 1 if turn.ndim == 1 else int(np.prod(turn.shape[1:]))
        for part in blocks(len(turn), max(1, _AT_A_TIME // row)):
            wanted = (part.stop - part.start) * row * dtype.itemsize
            content = member.read(wanted)
            if len(content) < wanted:
                raise ValueError(f"{name} is shorter than it says")
            turn[part] = np.frombuffer(content, dtype).reshape(-1, *turn.shape[1:])
        return values


def _key(clip_sha256: str, settings: PoseSettings, clip_options: Mapping[str, ClipOption]) -> str:
    model = pose_model(settings)
    parts = {
        "format": FORMAT,
        "clip": clip_sha256,
        "clip_options": dict(clip_options),
        "settings": asdict(settings),
        "network": model.sha256,
        "library": model.library,
    }
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()


def _place(folder: Path, key: str) -> Path:
    return folder / f"landmarks-{key[:16]}.npz"


def _tuples(values: Mapping[str, Any]) -> dict[str, Any]:
    """Turn JSON's lists back into the tuples of the dataclasses."""

    def turned(value: Any) -> Any:
        return tuple(turned(one) for one in value) if isinstance(value, list) else value

    return {name: turned(value) for name, value in values.items()}


def _check(track: PoseTrack) -> None:
    """Raise ValueError where the arrays do not belong together."""
    count, points = len(track.time_s), len(Landmark)
    shapes = {
        "landmarks_px": (count, points, 3),
        "visibility": (count, points),
        "world_m": (count, points, 3),
    }
    for name in _ARRAYS:
        found = getattr(track, name).shape
        if found != shapes.get(name, (count,)):
            raise ValueError(f"{name} has the shape {found}")
    for name in _ADDED:
        if (found := getattr(track, name).shape) not in {(0,), (count,)}:
            raise ValueError(f"{name} has the shape {found}")
    if any(not isinstance(getattr(track, one.name), int) for one in fields(track) if one.name.endswith("th_px")):
        raise ValueError("the picture's size is no number")
