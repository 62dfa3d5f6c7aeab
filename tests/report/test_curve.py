"""``curve.png`` is a picture in both cases: measured or not."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import pytest

from vision_rom.readings import Measurement
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
