"""What the records hold, as frozen dataclasses; dates are ISO 8601 text, None is not known."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any, Literal

Review = Literal["unreviewed", "accepted", "rejected", "corrected"]
Sex = Literal["female", "male", "other", "unknown"]
Position = Literal["standing", "sitting", "lying"]
Motion = Literal["active", "assisted", "passive"]


@dataclass(frozen=True, slots=True)
class Patient:
    """A patient under a pseudonym; the name, if any, lies in a table of its own."""

    code: str
    birth_year: int | None = None
    sex: Sex = "unknown"
    dominant_side: str | None = None
    sport: str | None = None
    id: int = 0


@dataclass(frozen=True, slots=True)
class Episode:
    """One complaint of one patient."""

    patient_id: int
    side: str
    complaint: str
    onset_date: str | None = None
    surgery_date: str | None = None
    restrictions: str | None = None
    """Ordered by whoever treats: what must not be moved, and until when"""
    id: int = 0


@dataclass(frozen=True, slots=True)
class Visit:
    """One day of one patient."""

    patient_id: int
    date: str
    episode_id: int | None = None
    position: Position = "standing"
    motion: Motion = "active"
    examiner: str | None = None
    inspection: str | None = None
    palpation: str | None = None
    id: int = 0


@dataclass(frozen=True, slots=True)
class Clip:
    """A recording: where it lies, and whether the patient consented to its being kept."""

    visit_id: int
    sha256: str
    path: str
    consent: bool
    id: int = 0


@dataclass(frozen=True, slots=True)
class StoredReading:
    """One reading of one recording, in one version."""

    clip_id: int
    visit_id: int
    visit_date: str
    movement: str
    side: str
    version: int
    document: dict[str, Any]
    """The whole reading document of the recording (``vision-rom/reading/1``) with this reading alone in it"""
    review: Review
    reviewed_by: str | None
    reviewed_at: str | None
    note: str | None
    id: int
    supersedes: int | None = None

    @property
    def reading(self) -> dict[str, Any]:
        """The reading inside the document."""
        found: dict[str, Any] = self.document["readings"][0]
        return found

    @property
    def measured(self) -> bool:
        """Whether there is a value that was not rejected."""
        return self.reading["status"] == "measured" and self.review != "rejected"

    @property
    def held_deg(self) -> float:
        """Held value; NaN where there is none."""
        value = self.reading["held_deg"]
        return math.nan if value is None else float(value)

    @property
    def interval95_deg(self) -> tuple[float, float]:
        """Interval of the held value."""
        return interval_of(self.reading)

    @property
    def distance(self) -> dict[str, Any] | None:
        """The distance in shoulder widths that was measured along with this angle; None where there is none."""
        for place in self.document.get("places", ()):
            here = (place["movement"], place["side"]) == (self.movement, self.side)
            if here and place["unit"] == "shoulder_widths" and place["status"] == "measured":
                found: dict[str, Any] = place
                return found
        return None

    @property
    def marked(self) -> bool:
        """Whether it rests on points that a person marked in the picture."""
        return bool(self.reading.get("marks"))

    @property
    def conditions(self) -> dict[str, Any]:
        """What must be equal for two readings to be compared: network, method, view, who moved the arm, schema."""
        software = self.document["software"]
        return {
            "network": software["model"]["sha256"],
            "method": "marked by hand" if self.marked else software["parameters"].get("method"),
            "view": self.reading["view"],
            "motion": self.reading.get("motion", "active"),
            "definition": self.document["schema"],
        }


def interval_of(reading: dict[str, Any]) -> tuple[float, float]:
    """Return the interval of a reading or repetition of a document, which has null where there is none; NaN then."""
    bounds = reading["interval95_deg"]
    return (math.nan, math.nan) if not bounds or None in bounds else (float(bounds[0]), float(bounds[1]))


@dataclass(frozen=True, slots=True)
class History:
    """All readings of one movement and side that count, oldest first."""

    movement: str
    side: str
    readings: tuple[StoredReading, ...] = field(default=())
