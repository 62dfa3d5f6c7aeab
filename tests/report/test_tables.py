"""``angles.csv`` is the curve on the recording's own times."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd

from vision_rom.readings import Measurement
from vision_rom.report.tables import angles_table, at_times, to_csv


def test_columns_and_rows(make_measurement: Callable[..., Measurement]) -> None:
    measurement = make_measurement()
    table = pd.read_csv(io.StringIO(to_csv(angles_table(measurement))))
    assert list(table) == [
        "time_s",
        "right_abduction_raw_deg",
        "right_abduction_smoothed_deg",
        "right_abduction_vertical_deg",
        "right_abduction_visibility",
    ]
    np.testing.assert_allclose(table["time_s"], measurement.track.time_s, atol=1e-4)
    np.testing.assert_allclose(table["right_abduction_raw_deg"], measurement.curves[0].source.angle_deg, atol=0.0051)


def test_a_gap_stays_empty(make_measurement: Callable[..., Measurement]) -> None:
    curve = make_measurement().curves[0]
    angle = curve.angle_deg.copy()
    angle[40:50] = np.nan
    holed = replace(curve, angle_deg=angle)
    between = (curve.time_s[:-1] + curve.time_s[1:]) / 2
    values = at_times(holed, between)
    assert np.isnan(values[39:50]).all()
    assert np.isfinite(values[:39]).all()
    assert np.isfinite(values[50:]).all()
