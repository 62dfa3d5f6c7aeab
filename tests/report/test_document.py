"""The reading document keeps its contract."""

from __future__ import annotations

import json
from collections.abc import Callable

import jsonschema
import pytest

from vision_rom.readings import Measurement
from vision_rom.report.document import check_document, reading_document, reading_schema, to_json

MakeMeasurement = Callable[..., Measurement]


def test_schema_is_itself_valid() -> None:
    jsonschema.Draft202012Validator.check_schema(reading_schema())


@pytest.mark.parametrize("measured", [True, False])
def test_document_fits_its_schema_and_survives_json(make_measurement: MakeMeasurement, measured: bool) -> None:
    document = reading_document(make_measurement(measured=measured))
    check_document(document)
    assert json.loads(to_json(document)) == document


def test_tenths_of_a_degree_and_no_path(make_measurement: MakeMeasurement) -> None:
    document = reading_document(make_measurement())
    reading = document["readings"][0]
    assert reading["held_deg"] == 119.5
    assert reading["interval95_deg"] == [114.2, 124.7]
    assert reading["repetitions"][0]["interval95_deg"] == [115.0, 124.0]
    assert document["clip"]["file"] == "raise.mp4"


def test_not_measured_has_a_reason_and_no_number(make_measurement: MakeMeasurement) -> None:
    reading = reading_document(make_measurement(measured=False))["readings"][0]
    assert reading["reason"] == "No hips in view."
    assert reading["held_deg"] is None
    assert reading["interval95_deg"] is None


@pytest.mark.parametrize(
    ("key", "value"),
    [("status", "perhaps"), ("held_deg", None), ("side", "both"), ("reason", "but measured"), ("interval95_deg", [1])],
)
def test_schema_refuses_a_broken_reading(make_measurement: MakeMeasurement, key: str, value: object) -> None:
    document = reading_document(make_measurement())
    document["readings"][0][key] = value
    with pytest.raises(jsonschema.ValidationError):
        check_document(document)
