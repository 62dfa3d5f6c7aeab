"""What a visit's report says, put together once for page, note and bundle."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from vision_rom.handover import SIDES
from vision_rom.movements import NormChoice, movement, norm_for
from vision_rom.records import Change, Episode, Patient, Records, StoredReading, Visit, change_between


@dataclass(frozen=True, slots=True)
class MovementRow:
    """One movement of a visit: both sides, the norm, the changes."""

    name: str
    title: str
    left: StoredReading | None
    right: StoredReading | None
    norm: NormChoice
    since_last: dict[str, Change]
    since_first: dict[str, Change]
    """By side; empty where there is no earlier visit"""

    def of(self, side: str) -> StoredReading | None:
        """Return the reading of a side, measured or not."""
        return self.left if side == "left" else self.right

    @property
    def difference_deg(self) -> float:
        """Right minus left; NaN where one is missing."""
        if self.left is None or self.right is None or not (self.left.measured and self.right.measured):
            return math.nan
        return self.right.held_deg - self.left.held_deg

    @property
    def difference_half_deg(self) -> float:
        """Half-width of its 95% interval: the errors of both sides together; NaN where unknown."""
        if not math.isfinite(self.difference_deg) or self.left is None or self.right is None:
            return math.nan
        halves = [(one.interval95_deg[1] - one.interval95_deg[0]) / 2 for one in (self.left, self.right)]
        return math.hypot(*halves)


@dataclass(frozen=True, slots=True)
class VisitContent:
    """Everything that a visit's report is made of."""

    patient: Patient
    age: int | None
    episode: Episode | None
    visit: Visit
    rows: tuple[MovementRow, ...]
    findings: list[dict[str, Any]]
    compensations: tuple[str, ...]
    """What the rest of the body did to help"""
    remarks: tuple[str, ...]
    """Of camera, filming and recording"""
    unread: tuple[str, ...]
    """What could not be measured, and why"""

    @property
    def reviewed(self) -> bool:
        """Whether every measured reading was looked at by a person."""
        readings = [one for row in self.rows for one in (row.left, row.right) if one is not None]
        return bool(readings) and all(one.review != "unreviewed" for one in readings)

    @property
    def status(self) -> Literal["preliminary", "final", "amended"]:
        """In the words of HL7 FHIR: preliminary until reviewed, amended after a correction."""
        readings = [one for row in self.rows for one in (row.left, row.right) if one is not None]
        if not self.reviewed:
            return "preliminary"
        return "amended" if any(one.review == "corrected" for one in readings) else "final"


def age_on(patient: Patient, day: str) -> int | None:
    """Return the age that a patient reaches in the year of a day; None where the year of birth is not known."""
    return None if patient.birth_year is None else int(day[:4]) - patient.birth_year


def norm_of(patient: Patient, name: str, *, day: str) -> NormChoice:
    """Return the published values of a movement that fit a patient's age and sex on a day."""
    sex = patient.sex if patient.sex in ("female", "male") else None
    # what is stored are angles, also of a movement that is read as a distance too
    return norm_for(movement(name), age=age_on(patient, day), sex=sex, unit="deg")


def visit_content(records: Records, visit: Visit) -> VisitContent:
    """Gather a visit: its readings, the norms for this patient, and the changes since earlier visits."""
    patient = records.patient_of(visit)
    episode = next((one for one in records.episodes(patient) if one.id == visit.episode_id), None)
    readings = [one for one in records.readings(visit) if one.review != "rejected"]
    earlier = {
        (history.movement, history.side): [
            one for one in history.readings if (one.visit_date, one.visit_id) < (visit.date, visit.id)
        ]
        for history in records.histories(patient)
    }
    names = list(dict.fromkeys(one.movement for one in readings if one.movement != "unknown"))
    rows = tuple(
        _row(name, readings, earlier, norm_of(patient, name, day=visit.date), records.repeatability_deg(name))
        for name in names
    )
    remarks = [
        remark
        for one in readings
        for remark in (*one.reading["remarks"], *one.document.get("filming", []), *one.document.get("camera", []))
    ]
    helped = [
        f"{one.movement.replace('_', ' ')}, {one.side}: {sentence}"
        for one in readings
        for sentence in one.reading.get("compensations", [])
    ]
    unread = [
        f"{one.movement.replace('_', ' ')}, {one.side}: {one.reading['reason']}"
        for one in readings
        if one.reading["status"] != "measured"
    ]
    return VisitContent(
        patient,
        age_on(patient, visit.date),
        episode,
        visit,
        rows,
        records.findings(visit),
        tuple(helped),
        tuple(dict.fromkeys(remarks)),
        tuple(unread),
    )


def _row(
    name: str,
    readings: Sequence[StoredReading],
    earlier: dict[tuple[str, str], list[StoredReading]],
    norm: NormChoice,
    repeatability_deg: float | None,
) -> MovementRow:
    sides: dict[str, StoredReading | None] = {}
    since_last: dict[str, Change] = {}
    since_first: dict[str, Change] = {}
    for side in SIDES:
        own = [one for one in readings if (one.movement, one.side) == (name, side)]
        # of several recordings of one day the last that gave a value counts
        one = next((reading for reading in reversed(own) if reading.measured), own[-1] if own else None)
        sides[side] = one
        before = earlier.get((name, side), [])
        if one is not None and one.measured and before:
            since_last[side] = change_between(before[-1], one, repeatability_deg=repeatability_deg)
            since_first[side] = change_between(before[0], one, repeatability_deg=repeatability_deg)
    return MovementRow(name, movement(name).title, sides["left"], sides["right"], norm, since_last, since_first)
