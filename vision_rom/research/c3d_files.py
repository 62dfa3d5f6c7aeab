"""C3D files (the open format of motion analysis, c3d.org): landmarks and angles as points, for the tools of laboratories.

A C3D file has one constant rate and counts its frames in 16 bits. Recordings of a phone have neither, so landmarks are
laid on an even grid at the recording's own typical rate, and a recording longer than 65,535 frames is refused or split:
a writer that goes on after them cuts without a word.
"""

from __future__ import annotations

import errno
import math
import os
from pathlib import Path

import numpy as np

from vision_rom.errors import OutputError, UsageError
from vision_rom.handover import Floats
from vision_rom.readings import Measurement
from vision_rom.report.tables import at_times
from vision_rom.research.libraries import ezc3d
from vision_rom.research.rows import NAMES
from vision_rom.whole_files import whole_path

MOST_FRAMES = 65_535
_BLOCK_BYTES = 512
_GAP_STEPS = 2.5
"""A step between pictures longer than so many typical ones is a gap that nothing is drawn across."""


def write_c3d(measurement: Measurement, path: Path, *, split: bool = False) -> tuple[Path, ...]:
    """Write landmarks and smoothed angles and return the files.

    Points are the 33 landmarks in millimetres from the hips' middle (x right, y down, z away from the camera), or in
    pixels where the measurement has no metres; then, for each curve, a point named SIDE_MOVEMENT, listed in POINT:ANGLES,
    whose first coordinate is the angle in degrees. What was not seen has the residual -1.

    Parameters
    ----------
    measurement
        What to write.
    path
        The file; with ``split`` and more than one part, NAME_part1.c3d and so on.
    split
        Part a long recording into several files instead of refusing it.

    Raises
    ------
    UsageError
        More than 65,535 frames without ``split``, or fewer than two pictures.
    OutputError
        The file cannot be written.

    """
    time_s, points, angles, unit, labels = _on_grid(measurement)
    rate_hz = 1 / (time_s[1] - time_s[0])
    count = len(time_s)
    if count > MOST_FRAMES and not split:
        raise UsageError(
            f"{path.name} would need {count} frames and C3D allows {MOST_FRAMES}; cut the recording, look at fewer pictures "
            "a second, or have it split into several files."
        )
    parts = math.ceil(count / MOST_FRAMES)
    size = math.ceil(count / parts)
    made: list[Path] = []
    for part in range(parts):
        here = slice(part * size, (part + 1) * size)
        name = path if parts == 1 else path.with_name(f"{path.stem}_part{part + 1}{path.suffix}")
        _write(name, points[here], angles[here], rate_hz, unit, labels, float(time_s[here][0]))
        made.append(name)
    return tuple(made)


def _on_grid(measurement: Measurement) -> tuple[Floats, Floats, Floats, str, list[str]]:
    """Return even times (m,), points (m, 33, 3), angles (m, curves), the points' unit and the angles' labels."""
    track = measurement.track
    if len(track.time_s) < 2:
        raise UsageError("A C3D file needs at least two pictures.")
    in_metres = bool(np.isfinite(track.world_m).any())
    values = track.world_m * 1000.0 if in_metres else track.landmarks_px
    step = float(np.median(np.diff(track.time_s)))
    steps = int(np.floor((track.time_s[-1] - track.time_s[0]) / step + 1e-6))
    grid = track.time_s[0] + step * np.arange(steps + 1)
    flat = values.reshape(len(track.time_s), -1)
    even = np.column_stack([_between(grid, track.time_s, flat[:, one], step) for one in range(flat.shape[1])])
    curves = [at_times(curve, grid) for curve in measurement.curves]
    labels = [f"{curve.source.side}_{curve.source.movement}" for curve in measurement.curves]
    angles = np.column_stack(curves) if curves else np.zeros((len(grid), 0))
    return grid, even.reshape(len(grid), -1, 3), angles, "mm" if in_metres else "px", labels


def _between(grid: Floats, time_s: Floats, values: Floats, step: float) -> Floats:
    """Interpolate; NaN beside a NaN, and inside a step that is a gap."""
    known = np.isfinite(values)
    if not known.any():
        return np.full(len(grid), np.nan)
    line = np.interp(grid, time_s, values)
    after = np.clip(np.searchsorted(time_s, grid - 1e-9), 1, len(time_s) - 1)
    before_nearer = np.abs(grid - time_s[after - 1]) < np.abs(grid - time_s[after])
    nearest = np.where(before_nearer, after - 1, after)
    on_picture = np.abs(grid - time_s[nearest]) < 1e-6
    gap = (time_s[after] - time_s[after - 1] > _GAP_STEPS * step) & ~on_picture
    # a rounding error beside a picture must not take the NaN of its neighbour along
    return np.where(on_picture, values[nearest], np.where(gap, np.nan, line))


def _write(
    path: Path, points: Floats, angles: Floats, rate_hz: float, unit: str, labels: list[str], start_s: float
) -> None:
    library = ezc3d()
    file = library.c3d()
    frames, landmarks = points.shape[:2]
    # pixels come without depth where a file of landmarks had none: a point on the picture's plane
    if unit == "px":
        points = np.where(np.isfinite(points[..., :1]) & ~np.isfinite(points), 0.0, points)
    data = np.ones((4, landmarks + len(labels), frames))
    data[:3] = np.nan
    data[:3, :landmarks] = points.transpose(2, 1, 0)
    data[:3, landmarks:] = np.where(np.isfinite(angles.T), 0.0, np.nan)
    data[0, landmarks:] = angles.T
    missing = ~np.isfinite(data[:3]).all(axis=0)
    data[:3, missing] = np.nan
    # as both readers of the tests take it: a residual of -1 says "not seen"
    residuals = np.where(missing, -1.0, 0.0)[None]
    point = file["parameters"]["POINT"]
    point["RATE"]["value"] = [rate_hz]
    point["UNITS"]["value"] = [unit]
    point["LABELS"]["value"] = [*NAMES, *labels]
    file["data"]["points"] = data
    file["data"]["meta_points"]["residuals"] = residuals
    if labels:
        file.add_parameter("POINT", "ANGLES", labels)
        file.add_parameter("POINT", "ANGLE_UNITS", ["deg"])
    file.add_parameter("MANUFACTURER", "SOFTWARE", ["vision-rom"])
    file.add_parameter("TRIAL", "START_S", [start_s])
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with whole_path(path) as temporary:
            file.write(str(temporary))
            _check_whole(temporary, numbers=data.size)
    except OSError as error:
        raise OutputError(f"{path} cannot be written ({error.strerror or error}).") from error


def _check_whole(path: Path, *, numbers: int) -> None:
    """Raise OSError where a file is shorter than its header and so many single-precision numbers: the library tells of no full disk."""
    with path.open("rb") as file:
        header = file.read(_BLOCK_BYTES)
    # the header's ninth word is the block, from 1, in which the numbers begin (c3d.org, "The C3D file header")
    first_block = int.from_bytes(header[16:18], "little")
    if len(header) < _BLOCK_BYTES or path.stat().st_size < (first_block - 1) * _BLOCK_BYTES + 4 * numbers:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
