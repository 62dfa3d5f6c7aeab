"""From a measurement to rows of the tables."""

from __future__ import annotations

from typing import Any

import numpy as np

from vision_rom.handover import Landmark
from vision_rom.readings import Measurement
from vision_rom.report.tables import at_times
from vision_rom.research.columns import FRAME_COLUMNS, clean, columns_of, digits_of, values_of
from vision_rom.research.manifest import BatchItem

Row = dict[str, Any]
NAMES = tuple(one.name.lower() for one in Landmark)
SIDES_OF_NAMES = tuple("left" if "left" in name else "right" if "right" in name else None for name in NAMES)


def who(item: BatchItem) -> Row:
    """Return the cells that say whose recording it was."""
    return {"clip_id": item.clip_id, "subject": item.subject, "visit": item.visit}


def rows_of(measurement: Measurement, item: BatchItem) -> dict[str, list[Row]]:
    """Return the rows of readings, repetitions, clips and failures that one recording gives."""
    carried = dict(item.carried)
    readings, repetitions, failures = [], [], []
    for reading in measurement.readings:
        cells = {**who(item), **values_of(reading)}
        readings.append({**cells, "repetitions_measured": len(reading.repetitions), **carried})
        which = {name: cells[name] for name in ("joint", "movement", "side")}
        for number, one in enumerate(reading.repetitions, 1):
            repetitions.append({**who(item), **which, "repetition": number, **values_of(one), **carried})
        if reading.status != "measured":
            failures.append(
                failure_row(item, "not_measured", reading.reason or "", movement=reading.movement, side=reading.side)
            )
    return {
        "readings": readings,
        "repetitions": repetitions,
        "clips": [{**_clip_row(measurement, item), **carried}],
        "failures": failures,
    }


def rows_of_failure(item: BatchItem, kind: str, reason: str) -> dict[str, list[Row]]:
    """Return the rows of a recording that gave no measurement at all."""
    row: Row = dict.fromkeys(column.name for column in columns_of("clips"))
    row |= {**who(item), "clip": item.clip, "status": "failed", "source": _source(item), **dict(item.carried)}
    return {"readings": [], "repetitions": [], "clips": [row], "failures": [failure_row(item, kind, reason)]}


def failure_row(item: BatchItem, kind: str, reason: str, *, movement: str = "", side: str = "") -> Row:
    """Return one row of failures."""
    cells = {**who(item), "clip": item.clip, "movement": movement, "side": side, "kind": kind, "reason": reason}
    return {**cells, **dict(item.carried)}


def _source(item: BatchItem) -> str:
    return "landmarks" if item.is_landmarks else "recording"


def _clip_row(measurement: Measurement, item: BatchItem) -> Row:
    clip, track = measurement.clip, measurement.track
    row: Row = {**who(item), "clip": item.clip, "status": "read", "source": _source(item)}
    for name in [
        "sha256",
        "duration_s",
        "frames_decoded",
        "frame_rate_hz",
        "variable_frame_rate",
        "rotation_deg",
        "mirrored",
        "width_px",
        "height_px",
        "time_factor",
        "codec",
        "colour",
    ]:
        row[name] = clean(name, getattr(clip, name))
    row["rotation_deg"] = float(clip.rotation_deg)
    return row | {
        "frames_looked_at": len(track.time_s) - int(track.between.sum()),
        "model": track.model.name,
        "model_sha256": track.model.sha256,
        "model_library": track.model.library,
        "choice": measurement.choice,
        "remarks": " | ".join((*clip.remarks, *track.remarks)),
    }


def frame_columns(measurement: Measurement, clip_id: str, pictures: slice = slice(None)) -> dict[str, Any]:
    """Return the ``frames`` table of one recording as arrays by column: for each picture its landmarks, then its angles.

    ``pictures``: of which; all where nothing is said.
    """
    track = measurement.track
    time_s = track.time_s[pictures]
    n, points = len(time_s), len(Landmark)
    curves = measurement.curves
    per_picture = points + len(curves)
    size = n * per_picture
    numbers = {one.name: np.full((n, per_picture), np.nan) for one in FRAME_COLUMNS if one.kind == "number"}
    text = {one.name: np.full((n, per_picture), None, object) for one in FRAME_COLUMNS if one.kind == "text"}
    outlier = np.full((n, per_picture), None, object)
    text["clip_id"][:] = clip_id
    numbers["time_s"][:] = time_s[:, None]
    text["kind"][:, :points], text["kind"][:, points:] = "landmark", "angle"
    text["landmark"][:, :points], text["side"][:, :points] = NAMES, SIDES_OF_NAMES
    for axis, letter in enumerate("xyz"):
        numbers[f"{letter}_px"][:, :points] = track.landmarks_px[pictures, :, axis]
        numbers[f"{letter}_m"][:, :points] = track.world_m[pictures, :, axis]
    numbers["visibility"][:, :points] = track.visibility[pictures]
    for place, curve in enumerate(curves, points):
        source = curve.source
        text["movement"][:, place], text["side"][:, place] = source.movement, source.side
        numbers["raw_deg"][:, place] = source.angle_deg[pictures]
        numbers["vertical_deg"][:, place] = source.vertical_deg[pictures]
        numbers["visibility"][:, place] = source.visibility[pictures]
        numbers["smoothed_deg"][:, place] = at_times(curve, time_s)
        outlier[:, place] = curve.outliers[pictures]
    whole = {
        "frame_index": np.repeat(track.frame_index[pictures], per_picture),
        "width_px": np.full(size, track.width_px),
        "height_px": np.full(size, track.height_px),
    }
    columns: dict[str, Any] = {"outlier": outlier.ravel(), **whole}
    columns |= {name: values.ravel() for name, values in text.items()}
    # adding 0 turns -0.0 into 0.0
    columns |= {name: np.round(values.ravel(), digits_of(name)) + 0.0 for name, values in numbers.items()}
    return {one.name: columns[one.name] for one in FRAME_COLUMNS}
