from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from vision_rom.proof.cases import calibration_set
from vision_rom.training.calibrate import CalibrationRow, errors_without_bias, factors_of

CASES = calibration_set()


def row(error_deg: float, expected_deg: float, group: str = "frontal", number: int = 0) -> CalibrationRow:
    true_deg = 40.0 + (number * 37) % 130
    case = CASES[number % len(CASES)]
    return CalibrationRow(
        case, group, true_deg + error_deg, float("nan"), true_deg, expected_deg, expected_deg, number % 3 > 0
    )


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


def test_a_bias_is_taken_off_only_where_people_left_out_gain_by_it():
    noise = np.random.default_rng(5).normal(0, 1, 120)
    biased = [row(3.0 + one, 1.0, number=number) for number, one in enumerate(noise)]
    line, left = errors_without_bias(biased)
    assert line is not None
    assert abs(left.mean()) < 0.3
    unbiased = [row(3.0 * one, 1.0, number=number) for number, one in enumerate(noise)]
    line, left = errors_without_bias(unbiased)
    assert line is None
    assert left == pytest.approx(3.0 * noise)


def test_recordings_from_a_camera_off_its_place_have_their_own_factor():
    rows = [replace(row((-1.0) ** (n // 3), 1.0, number=n), square=True) for n in range(50)]
    rows += [replace(row(4.0 * (-1) ** (n // 3), 1.0, number=n), square=False) for n in range(50)]
    found = factors_of(rows)["frontal"]
    assert found["factor"] == pytest.approx(1.0, abs=0.6)
    assert found["factor_off"] == pytest.approx(4.0, abs=0.6)
    few = factors_of(rows[:60])["frontal"]
    assert few["factor"] == few["factor_off"]


def rotations(turned_deg: float, *, noise_deg: float) -> list[CalibrationRow]:
    noise = np.random.default_rng(6).normal(0, noise_deg, 60)
    ways = {1: "external_rotation", -1: "internal_rotation"}
    cases = {way: next(case for case in CASES if case.movement == name) for way, name in ways.items()}
    rows = []
    for number, one in enumerate(noise):
        way = 1 if number % 3 else -1
        description = replace(cases[way].description, person=40001 + number)
        error = way * turned_deg + float(one)
        rows.append(replace(row(error, 3.0, "rotation_side"), case=replace(cases[way], description=description)))
    return rows


def test_rotations_read_too_far_inwards_are_turned_back_where_that_is_sure():
    found = factors_of(rotations(-2.0, noise_deg=2.0))["rotation_side"]
    assert found["bias"]["turned_deg"] == pytest.approx(-2.0, abs=0.8)
    assert found["mean_absolute_error_deg"] < 2.0
    assert factors_of(rotations(-0.3, noise_deg=4.0))["rotation_side"]["bias"] is None
