from __future__ import annotations

import numpy as np
import pytest

from vision_rom.proof.cases import calibration_set
from vision_rom.training.calibrate import CalibrationRow, factors_of

CASES = calibration_set()


def row(error_deg: float, expected_deg: float, group: str = "frontal", number: int = 0) -> CalibrationRow:
    return CalibrationRow(CASES[number], group, 100 + error_deg, float("nan"), 100.0, expected_deg, expected_deg)


def test_factor_makes_95_of_100_hold():
    errors = np.random.default_rng(2).normal(0, 4, 99)
    found = factors_of([row(error, 2.0, number=number) for number, error in enumerate(errors)])["frontal"]
    assert np.mean(np.abs(errors) <= found["factor"] * 2.0) == pytest.approx(95 / 99, abs=1e-9)
    assert found["clips"] == 99
    assert found["mean_absolute_error_deg"] == pytest.approx(np.abs(errors).mean(), abs=0.01)
    assert found["median_half_width_deg"] == pytest.approx(found["factor"] * 2, abs=0.01)


def test_groups_are_apart():
    found = factors_of([row(1.0, 1.0), row(8.0, 2.0, "sagittal")])
    assert found["frontal"]["factor"] == 1.0
    assert found["sagittal"]["factor"] == 4.0
