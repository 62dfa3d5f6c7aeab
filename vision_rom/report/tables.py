"""``angles.csv``: the curves behind the readings, one row a sample."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from vision_rom.handover import Floats, SmoothCurve
from vision_rom.readings import Measurement
from vision_rom.spool import ROWS, blocks


def write_angles(measurement: Measurement, path: Path) -> None:
    """Write :func:`angles_table` as CSV, some pictures at a time: the table of an hour would take more room than its measurement."""
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(to_csv(angles_table(measurement, slice(0, ROWS))))
        for rows in blocks(len(measurement.track.time_s)):
            if rows.start:
                file.write(to_csv(angles_table(measurement, rows), header=False))


def angles_table(measurement: Measurement, rows: slice = slice(None)) -> pd.DataFrame:
    """Return the curves as a table on the recording's own times, all or those of some pictures.

    Columns are ``time_s`` and, for each side and movement, ``SIDE_MOVEMENT_raw_deg`` (as measured in that picture),
    ``SIDE_MOVEMENT_smoothed_deg`` (the smoothed curve at that time), ``SIDE_MOVEMENT_vertical_deg`` (raw, against the
    picture's vertical) and ``SIDE_MOVEMENT_visibility`` (0 to 1). Empty cells are samples that were not measured.
    """
    time_s = measurement.track.time_s[rows]
    columns: dict[str, Floats] = {"time_s": time_s}
    for curve in measurement.curves:
        source = curve.source
        name = f"{source.side}_{source.movement}"
        columns[f"{name}_raw_deg"] = source.angle_deg[rows]
        columns[f"{name}_smoothed_deg"] = at_times(curve, time_s)
        columns[f"{name}_vertical_deg"] = source.vertical_deg[rows]
        columns[f"{name}_visibility"] = source.visibility[rows]
    return pd.DataFrame(columns)


def at_times(curve: SmoothCurve, time_s: Floats) -> Floats:
    """Return the smoothed angle (n,) at the given times; NaN inside gaps and outside the curve."""
    if curve.time_s.size == 0:
        return np.full(time_s.shape, np.nan)
    # linear interpolation carries NaN into both neighbours of a gap, which is what a gap means
    return np.interp(time_s, curve.time_s, curve.angle_deg, left=np.nan, right=np.nan)


def to_csv(table: pd.DataFrame, *, header: bool = True) -> str:
    """Return the table as CSV text: times to a tenth of a millisecond, angles to a hundredth of a degree."""
    names = [str(name) for name in table.columns]
    rounded = table.round({name: 4 if name == "time_s" else 2 if name.endswith("_deg") else 3 for name in names})
    return rounded.to_csv(index=False, header=header, lineterminator="\n")
