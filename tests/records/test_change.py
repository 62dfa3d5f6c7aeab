from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from vision_rom.records import Patient, Visit, change_between
from vision_rom.records.change import repeatability_mdc95_deg


@pytest.fixture
def two(records, patient, held):
    def make(before, after, *, half=4.0, movement="abduction", **changed):
        stored = []
        for day, degrees in (("2026-03-02", before), ("2026-04-02", after)):
            visit = records.add_visit(Visit(patient.id, day))
            document = held(degrees, half=half, movement=movement)
            if day == "2026-04-02":
                document["readings"][0] |= changed
            stored += records.store_document(visit, document, path=Path("a.mp4"), consent=True)
        return stored

    return make


@pytest.mark.parametrize(
    ("after", "half", "movement", "verdict"),
    [
        (101.0, 4.0, "abduction", "changed beyond measurement error"),
        (99.0, 4.0, "abduction", "within measurement error"),  # the floor of 10 degrees
        (79.0, 4.0, "abduction", "changed beyond measurement error"),
        (101.0, 9.0, "abduction", "within measurement error"),  # hypot(9, 9) is 12.7
        (99.0, 4.0, "extension", "changed beyond measurement error"),  # a floor of 8
        (97.0, 4.0, "extension", "within measurement error"),
    ],
)
def test_a_change_must_exceed_error_and_floor(two, after, half, movement, verdict):
    found = change_between(*two(90.0, after, half=half, movement=movement))
    assert (found.verdict, found.change_deg, found.since) == (verdict, pytest.approx(after - 90), "2026-03-02")


def test_the_patients_own_repeatability_counts_where_it_is_larger(two):
    before, after = two(90.0, 104.0)
    assert change_between(before, after).verdict == "changed beyond measurement error"
    assert change_between(before, after, repeatability_deg=15.0).verdict == "within measurement error"


@pytest.mark.parametrize(
    ("other", "words"),
    [({"view": "back"}, "stood at another side"), ({"motion": "passive"}, "moved by somebody else")],
)
def test_what_was_measured_otherwise_cannot_be_compared(two, other, words):
    found = change_between(*two(90.0, 140.0, **other))
    assert found.verdict == "cannot say"
    assert words in found.warnings[0]
    assert found.change_deg == 50.0


def test_what_was_not_measured_or_rejected_cannot_be_compared(two, records):
    before, after = two(90.0, 140.0)
    found = change_between(records.review(before, "rejected"), after)
    assert (found.verdict, math.isnan(found.change_deg)) == ("cannot say", True)
    assert "earlier visit has no reading" in found.warnings[0]


def test_mdc95_of_people_measured_twice():
    """Weir 2005: SEM = sd of the differences / sqrt(2), MDC95 = 1.96 sqrt(2) SEM, so 1.96 sd of the differences."""
    rng = np.random.default_rng(4)
    pairs = [(100.0, 100.0 + float(one)) for one in rng.normal(0, 3, 5000)]
    assert repeatability_mdc95_deg(pairs) == pytest.approx(1.96 * 3, rel=0.03)
    assert repeatability_mdc95_deg(pairs[:9]) is None


def test_people_seen_twice_on_one_day_give_the_clinics_own_repeatability(records, held):
    rng = np.random.default_rng(8)
    for number in range(10):
        patient = records.add_patient(Patient(f"q-{number}"))
        assert records.repeatability_deg("abduction") is None
        for degrees in (100.0, 100.0 + 8.0 * (-1) ** number + rng.normal(0, 0.01)):
            visit = records.add_visit(Visit(patient.id, "2026-03-02"))
            records.store_document(visit, held(round(degrees, 1)), path=Path("a.mp4"), consent=True)
    # differences of +8 and -8: their standard deviation is 8.4 with ten people
    assert records.repeatability_deg("abduction") == pytest.approx(1.96 * 8.43, rel=0.02)
    assert records.repeatability_deg("flexion") is None
