"""The forms in which others keep landmarks, each turned into arrays in our order of body points.

Every function raises ValueError, KeyError, TypeError or IndexError where a file breaks its form.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from vision_rom.handover import Floats, Ints, Landmark

if TYPE_CHECKING:
    import pandas as pd

_POINTS = len(Landmark)
_NAMES = {one.name.lower(): int(one) for one in Landmark}

# joints of a depth camera's body in the order of its files (readme of the KERAAL data set, github nguyensmai/KeraalDataset);
# a hand's tip stands for the index finger
_DEPTH_CAMERA_JOINTS = {
    4: Landmark.LEFT_SHOULDER,
    5: Landmark.LEFT_ELBOW,
    6: Landmark.LEFT_WRIST,
    8: Landmark.RIGHT_SHOULDER,
    9: Landmark.RIGHT_ELBOW,
    10: Landmark.RIGHT_WRIST,
    12: Landmark.LEFT_HIP,
    13: Landmark.LEFT_KNEE,
    14: Landmark.LEFT_ANKLE,
    15: Landmark.LEFT_FOOT_INDEX,
    16: Landmark.RIGHT_HIP,
    17: Landmark.RIGHT_KNEE,
    18: Landmark.RIGHT_ANKLE,
    19: Landmark.RIGHT_FOOT_INDEX,
    21: Landmark.LEFT_INDEX,
    22: Landmark.LEFT_THUMB,
    23: Landmark.RIGHT_INDEX,
    24: Landmark.RIGHT_THUMB,
}
_DEPTH_CAMERA_COLUMNS = 25 * 7
_PIXELS_A_METRE = 400.0
"""Scale of the flat picture that metres without a picture are drawn in; angles do not depend on it."""


@dataclass
class Found:
    """Landmarks as arrays; NaN where the file has none."""

    form: str
    points_px: Floats
    """(n, 33, 3)"""
    visibility: Floats
    """(n, 33)"""
    world_m: Floats
    """(n, 33, 3)"""
    time_s: Floats = field(default_factory=lambda: np.zeros(0))
    frame_index: Ints = field(default_factory=lambda: np.zeros(0, np.int64))
    rate_hz: float | None = None
    width_px: int | None = None
    height_px: int | None = None
    remarks: tuple[str, ...] = ()


def _empty(form: str, count: int) -> Found:
    return Found(
        form,
        np.full((count, _POINTS, 3), np.nan),
        np.full((count, _POINTS), np.nan),
        np.full((count, _POINTS, 3), np.nan),
    )


@lru_cache(maxsize=1024)
def landmark_number(name: str) -> int | None:
    """Return the row of a body point by any common way to write it: left_shoulder, Left Shoulder, lShoulder, LShoulder."""
    plain = re.sub(r"[^a-z]+", "_", re.sub(r"(?<=[a-z])(?=[A-Z])", "_", name).lower()).strip("_")
    plain = re.sub(r"^l_", "left_", re.sub(r"^r_", "right_", plain))
    if name[:2] in ("LE", "LA", "LS", "LW", "LH", "LK", "RE", "RA", "RS", "RW", "RH", "RK") and name[2:3].islower():
        plain = ("left_" if name[0] == "L" else "right_") + name[1:].lower()
    return _NAMES.get(plain)


def from_long_table(table: pd.DataFrame) -> Found:
    """Return the landmarks of a table with one row for each landmark in each picture."""
    if "kind" in table.columns:
        table = table[table["kind"] == "landmark"]
    missing = [one for one in ("landmark", "x_px", "y_px") if one not in table.columns]
    if missing:
        raise KeyError(f"column {missing[0]}")
    key = "time_s" if "time_s" in table.columns else "frame_index"
    if key not in table.columns:
        raise KeyError("column time_s or frame_index")
    moments, where = np.unique(table[key].to_numpy(np.float64), return_inverse=True)
    found = _empty("long table", len(moments))
    numbers = {str(name): landmark_number(str(name)) for name in table["landmark"].unique()}
    unknown = [name for name, number in numbers.items() if number is None]
    if unknown:
        raise ValueError(f"{unknown[0]!r} is no landmark")
    which = table["landmark"].map(lambda name: numbers[str(name)]).to_numpy(np.int64)
    if len(np.unique(where * _POINTS + which)) < len(table):
        raise ValueError("a landmark stands twice in one picture")
    for place, columns in ((found.points_px, ("x_px", "y_px", "z_px")), (found.world_m, ("x_m", "y_m", "z_m"))):
        for axis, column in enumerate(columns):
            if column in table.columns:
                place[where, which, axis] = table[column].to_numpy(np.float64)
    if "visibility" in table.columns:
        found.visibility[where, which] = table["visibility"].to_numpy(np.float64)
    if key == "time_s":
        found.time_s = moments
        if "frame_index" in table.columns:
            found.frame_index = np.zeros(len(moments), np.int64)
            found.frame_index[where] = table["frame_index"].to_numpy(np.int64)
    else:
        found.frame_index = moments.astype(np.int64)
    found.width_px, found.height_px = (
        int(table[one].iloc[0]) if one in table.columns and len(table) else None for one in ("width_px", "height_px")
    )
    return found


def from_own_json(content: Mapping[str, Any]) -> Found:
    """Return the landmarks of an object of the schema ``vision-rom/landmarks/1``."""
    frames = content["frames"]
    found = _empty("json", len(frames))
    _fill(found.points_px, frames)
    if "visibility" in content:
        _fill(found.visibility[..., None], content["visibility"])
    if "world_m" in content:
        _fill(found.world_m, content["world_m"])
    found.time_s = np.asarray(content.get("time_s", ()), np.float64)
    found.rate_hz = float(content["rate_hz"]) if "rate_hz" in content else None
    found.width_px, found.height_px = int(content["width_px"]), int(content["height_px"])
    return found


def _fill(place: Floats, frames: Sequence[Mapping[str, Any]]) -> None:
    if len(frames) != len(place):
        raise ValueError(f"{len(frames)} entries for {len(place)} pictures")
    for row, frame in zip(place, frames, strict=True):
        for name, values in frame.items():
            number = landmark_number(name)
            if number is None:
                raise ValueError(f"{name!r} is no landmark")
            known = values if isinstance(values, list) else [values]
            if not 1 <= len(known) <= place.shape[2]:
                raise ValueError(f"{name!r} has {len(known)} coordinates")
            row[number, : len(known)] = known


def from_list(content: Sequence[Any]) -> Found:
    """Return the landmarks of a list of pictures: objects by name, or 33 rows of coordinates in our order."""
    if not content:
        return _empty("list", 0)
    found = _empty("list of pictures", len(content))
    if isinstance(content[0], Mapping):
        for i, frame in enumerate(content):
            for name, point in frame.items():
                number = landmark_number(name)
                if number is None:
                    continue  # points of the head or hand that others have and we do not use
                found.points_px[i, number, :2] = float(point["x"]), float(point["y"])
                if "z" in point:
                    found.points_px[i, number, 2] = float(point["z"])
                if "score" in point:
                    found.visibility[i, number] = float(point["score"])
    else:
        points = np.asarray(content, np.float64)
        if points.ndim != 3 or points.shape[1] != _POINTS or points.shape[2] not in (2, 3):
            raise ValueError(f"coordinates of the shape {points.shape}, not (pictures, 33, 2 or 3)")
        found.points_px[..., : points.shape[2]] = points
    found.points_px[_at_origin(found.points_px)] = np.nan
    return found


def from_shares(positions: Mapping[str, Mapping[str, Sequence[float]]], width_px: int, height_px: int) -> Found:
    """Return the landmarks of pictures by number, each from joint name to shares of the picture's width and height."""
    order = sorted(positions, key=float)
    found = _empty("shares of the picture", len(order))
    for i, key in enumerate(order):
        for name, values in positions[key].items():
            number = landmark_number(name)
            if number is None:
                continue
            scale = (width_px, height_px, width_px)[: len(values)]
            found.points_px[i, number, : len(values)] = np.asarray(values, np.float64) * scale
    found.points_px[_at_origin(found.points_px)] = np.nan
    found.frame_index = np.array([round(float(key)) for key in order], np.int64)
    return found


def from_depth_camera_rows(rows: Floats) -> Found:
    """Return the landmarks of a depth camera's rows (n, 175), seen without perspective along its own axis.

    Its axes point to its left, up and away; ours right, down and away.
    """
    if rows.shape[1] != _DEPTH_CAMERA_COLUMNS:
        raise ValueError(f"{rows.shape[1]} numbers in a row, not {_DEPTH_CAMERA_COLUMNS}")
    joints = rows.reshape(len(rows), 25, 7)[:, :, :3] * (-1.0, -1.0, 1.0)
    joints[~joints.any(axis=2)] = np.nan
    found = _empty("depth camera", len(rows))
    for source, landmark in _DEPTH_CAMERA_JOINTS.items():
        found.world_m[:, landmark] = joints[:, source]
    hips = (found.world_m[:, Landmark.LEFT_HIP] + found.world_m[:, Landmark.RIGHT_HIP]) / 2
    places = found.world_m[..., :2].reshape(-1, 2)
    corner = np.nanmin(places, axis=0) if np.isfinite(places).any() else np.zeros(2)
    found.points_px[..., :2] = (found.world_m[..., :2] - corner + 0.2) * _PIXELS_A_METRE
    found.points_px[..., 2] = (found.world_m[..., 2] - hips[:, None, 2]) * _PIXELS_A_METRE
    found.world_m -= hips[:, None]
    found.remarks = ("The landmarks are joints in space of a depth camera, drawn without perspective.",)
    return found


def _at_origin(points: Floats) -> Any:
    """(n, 33) where a point lies at exactly (0, 0), which networks write for "not found"."""
    return (points[..., 0] == 0) & (points[..., 1] == 0)
