"""Landmarks and angles of every picture as JSON lines: one object a picture, keys in a fixed order."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from vision_rom.handover import Floats
from vision_rom.readings import Measurement
from vision_rom.report.tables import at_times
from vision_rom.research.rows import NAMES
from vision_rom.research.tables import whole_file

SCHEMA_NAME = "vision-rom/frames/1"


def write_json_lines(measurement: Measurement, path: Path) -> Path:
    """Write one line a picture: times, angles of each side and movement, landmarks in pixels and metres.

    A landmark that was not seen is null. The first line says schema, picture size and units.

    Raises
    ------
    OutputError
        The file cannot be written.

    """
    track = measurement.track
    head = {
        "schema": SCHEMA_NAME,
        "width_px": track.width_px,
        "height_px": track.height_px,
        "model": track.model.name,
        "landmarks": list(NAMES),
        "units": {"px": "pixels x, y, z", "m": "metres x, y, z from the hips' middle", "visibility": "0 to 1"},
    }
    smooth = [at_times(curve, track.time_s) for curve in measurement.curves]
    with whole_file(path) as file:
        file.write(_line(head))
        for i, time_s in enumerate(track.time_s):
            angles = {
                f"{curve.source.side}_{curve.source.movement}": {
                    "raw_deg": _number(curve.source.angle_deg[i], 3),
                    "smoothed_deg": _number(line[i], 3),
                    "vertical_deg": _number(curve.source.vertical_deg[i], 3),
                }
                for curve, line in zip(measurement.curves, smooth, strict=True)
            }
            file.write(
                _line(
                    {
                        "frame_index": int(track.frame_index[i]),
                        "time_s": _number(time_s, 6),
                        "angles": angles,
                        "px": _points(track.landmarks_px[i], 3),
                        "m": _points(track.world_m[i], 5),
                        "visibility": [_number(value, 4) for value in track.visibility[i]],
                    }
                )
            )
    return path


def _line(value: dict[str, Any]) -> bytes:
    return (json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":")) + "\n").encode()


def _number(value: float, digits: int) -> float | None:
    return round(float(value), digits) + 0.0 if np.isfinite(value) else None


def _points(points: Floats, digits: int) -> list[list[float | None] | None]:
    return [
        None if not np.isfinite(point[:2]).all() else [_number(value, digits) for value in point] for point in points
    ]
