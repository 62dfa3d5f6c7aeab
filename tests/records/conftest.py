"""Readings of an invented patient as documents, without a recording behind them."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

import pytest

from vision_rom.measure import measure
from vision_rom.records import Patient, Records, Visit
from vision_rom.report.document import reading_document


@pytest.fixture(scope="session")
def document(sample_clips: Path) -> dict[str, Any]:
    """The reading document of the demonstration patient's limited shoulder."""
    found = measure(sample_clips / "demo_abduction_right.mp4", movement="abduction", side="right", rate_hz=15.0)
    return reading_document(found)


@pytest.fixture
def held(document: dict[str, Any]):
    """``held(95, half=4)``: the document with another held angle and recording."""

    def make(degrees: float, *, half: float = 4.0, side: str = "right", movement: str = "abduction") -> dict[str, Any]:
        made = copy.deepcopy(document)
        made["clip"]["sha256"] = f"{int(degrees * 10):064d}"
        [reading] = made["readings"]
        reading |= {"held_deg": degrees, "side": side, "movement": movement}
        reading["interval95_deg"] = [degrees - half, degrees + half]
        return made

    return make


@pytest.fixture
def records(tmp_path: Path):
    with Records(tmp_path / "records", who="tester") as kept:
        yield kept


@pytest.fixture
def patient(records: Records) -> Patient:
    return records.add_patient(Patient("p-1", 1971, "female", "right"), name="Imagined Person")


@pytest.fixture
def visit(records: Records, patient: Patient) -> Visit:
    return records.add_visit(Visit(patient.id, "2026-03-02"))
