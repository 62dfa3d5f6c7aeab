"""``curve.png`` is a picture in both cases: measured or not."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import pytest

from vision_rom.measure import Measurement
from vision_rom.report.curve import curve_png


@pytest.mark.parametrize("measured", [True, False])
def test_curve_is_a_readable_picture(make_measurement: Callable[..., Measurement], measured: bool) -> None:
    png = curve_png(make_measurement(measured=measured))
    picture = cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_COLOR)
    assert picture.shape[1] == 990
    assert picture.std() > 5
