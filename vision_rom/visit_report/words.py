"""Numbers of a report in words, for the chart and for the patient."""

from __future__ import annotations

import math
from typing import Any

from vision_rom.records import Change, StoredReading
from vision_rom.report.screen import interval, whole

CAUTION = (
    "Not a diagnosis and not a certified medical device. Read by a camera and a program; a licensed clinician judges these "
    "numbers, and local rules apply. The interval covers the instrument, not how the patient differs from day to day."
)
PATIENT_CAUTION = (
    "This sheet is no diagnosis. The angles were read by a computer from a film and can be wrong by some degrees. Ask the person who "
    "treats you what they mean for you, and do not change your exercises because of them."
)


def value(reading: StoredReading | None) -> str:
    """Return a held value with its interval, or why there is none in short."""
    if reading is None:
        return "not recorded"
    if not reading.measured:
        return "not measured"
    return f"{whole(reading.held_deg)} ({interval(reading.interval95_deg)}){distance(reading)}"


def distance(reading: StoredReading) -> str:
    """Return what was read along with the angle, elbow to far shoulder, as the end of a sentence; nothing where it was not."""
    place = reading.distance
    if place is None:
        return ""
    low, high = place["interval95"]
    text = f"; elbow to far shoulder {place['value']:.2f} ({low:.2f} to {high:.2f}) shoulder widths"
    if place.get("cm") is not None and place.get("cm95"):
        text += f", {place['cm']:.0f} cm ({math.floor(place['cm95'][0])} to {math.ceil(place['cm95'][1])})"
    return text


def difference(degrees: float, half_deg: float) -> str:
    """Return right minus left with its interval."""
    return "-" if math.isnan(degrees) else f"{degrees:+.0f}° (±{math.ceil(half_deg)}°)"


def change(one: Change | None) -> str:
    """Return a change with its verdict."""
    if one is None:
        return "first visit"
    if math.isnan(one.change_deg):
        return one.verdict
    return f"{one.change_deg:+.0f}° since {one.since}: {one.verdict}"


def plain_change(one: Change | None) -> str:
    """Return a change in plain words."""
    if one is None or one.verdict == "cannot say":
        return "We cannot compare it with an earlier visit."
    if one.verdict == "within measurement error":
        return f"About the same as on {one.since}."
    more = "more" if one.change_deg > 0 else "less"
    return f"{abs(one.change_deg):z.0f}° {more} than on {one.since}."


def pain(reading: StoredReading | None) -> str:
    """Return the painful arc of a reading in one line."""
    if reading is None or not reading.measured:
        return ""
    arc = reading.reading.get("painful_arc") or {"pattern": "not recorded"}
    if arc["pattern"] == "not recorded":
        return "pain not recorded"
    if arc["pattern"] == "none":
        return "no pain signalled"
    raising = _span(arc["onset_raising"], arc["end_raising"], "raising")
    lowering = _span(arc["onset_lowering"], arc["end_lowering"], "lowering")
    score = f", worst {arc['worst_score']:g} of 10" if arc["worst_score"] is not None else ""
    return f"pain ({arc['pattern']}): " + "; ".join(one for one in (raising, lowering) if one) + score


def finding(one: dict[str, Any]) -> str:
    """Return an examiner's finding in one line."""
    said = [] if one.get("painful") is None else ["painful" if one["painful"] else "not painful"]
    said += [f"{one['score']:g} of 10"] if one.get("score") is not None else []
    said += [f"grade {one['grade']} of 5"] if one.get("grade") is not None else []
    said += [one["text"]] if one.get("text") else []
    return f"{one['name']}, {one['side']}" + (f": {', '.join(said)}" if said else "")


def _span(onset: dict[str, Any] | None, end: dict[str, Any] | None, name: str) -> str:
    words = [f"from {_angle(onset)}" if onset else "", f"to {_angle(end)}" if end else ""]
    told = " ".join(word for word in words if word)
    return f"{name} {told}" if told else ""


def _angle(one: dict[str, Any]) -> str:
    if one["angle_deg"] is None:
        return "an angle that was not seen" if one["interval95_deg"] is None else "an angle that the speed blurs"
    return f"{one['angle_deg']:z.0f}°"
