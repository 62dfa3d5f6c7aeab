"""``curve.png`` is a picture in both cases: measured or not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
import pytest

from vision_rom.readings import Measurement
from vision_rom.report import curve as module
from vision_rom.report.curve import curve_png
from vision_rom.report.screen import interval


@pytest.mark.parametrize("measured", [True, False])
def test_curve_is_a_readable_picture(make_measurement: Callable[..., Measurement], measured: bool) -> None:
    png = curve_png(make_measurement(measured=measured))
    picture = cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_COLOR)
    assert picture.shape[1] == 990
    assert picture.std() > 5


def test_picture_and_table_show_the_same_whole_degrees() -> None:
    """One rounding for both: the tenths of the data, outwards, so that an interval never looks narrower."""
    assert interval((80.3, 109.04)) == "80 to 109°"
    assert interval((80.3, 109.06)) == "80 to 110°"
    assert interval((float("nan"), 109.0)) == "-"


def test_many_repetitions_and_a_long_line_are_drawn_as_bars_and_outline(
    make_measurement: Callable[..., Measurement],
) -> None:
    measurement = make_measurement(measured=True)
    reading = measurement.readings[0]
    many = replace(reading, repetitions=reading.repetitions[:1] * (module.MOST_WRITTEN + 1))
    png = curve_png(replace(measurement, readings=(many, *measurement.readings[1:])))
    assert cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_COLOR).std() > 5


def test_an_outline_keeps_the_highest_and_the_lowest_of_a_long_line() -> None:
    time_s = np.arange(25_001) / 30.0
    values = np.sin(time_s)
    values[[777, 20_001]] = 9.0, -9.0
    values[5000:5100] = np.nan
    at_s, outline = module._outline(time_s, values)
    assert len(at_s) == len(outline) <= module.MOST_DRAWN
    assert np.nanmax(outline) == 9.0
    assert np.nanmin(outline) == -9.0
    assert abs(at_s[np.nanargmax(outline)] - time_s[777]) < 1.0
    assert np.isnan(outline).any()
    np.testing.assert_array_equal(module._outline(time_s[:10], values[:10])[1], values[:10])
