"""What a person reads on the terminal: whole degrees, one row a repetition."""

from __future__ import annotations

import math

from rich.console import Console
from rich.table import Table

from vision_rom.handover import PersonFacts, PlaceReading, Reading
from vision_rom.readings import Measurement
from vision_rom.report.pain import finding_in_words, pain_in_words

CAUTION = "Not a diagnosis and not a certified medical device: a licensed clinician judges these numbers, and local rules apply."


def print_measurement(measurement: Measurement, console: Console) -> None:
    """Print the choice of movement, the readings, the remarks and the usual caution."""
    console.print(measurement.choice, highlight=False, soft_wrap=True, markup=False)
    measured = [reading for reading in measurement.readings if reading.status == "measured"]
    if measurement.segments:
        console.print(_examination(measurement))
        for sentence in _usual(measurement):
            _say(console, sentence)
    elif measured:
        console.print(_table(measured))
    for place in measurement.places:
        _say(console, place_in_words(place))
    for sentence in measurement.missing:
        _say(console, sentence)
    for reading in measurement.readings:
        if reading.status == "not_measured":
            _say(console, f"{_name(reading)}: not measured. {reading.reason}")
        for remark in (*reading.compensations, *reading.remarks):
            _say(console, f"{_name(reading)}: {remark}")
    for reading, pain in zip(measurement.readings, measurement.pain, strict=False):
        for sentence in pain_in_words(pain) if reading.status == "measured" else ():
            _say(console, f"{_name(reading)}: {sentence}")
    for finding in measurement.findings:
        _say(console, finding_in_words(finding))
    for remark in (*measurement.clip.remarks, *measurement.track.remarks):
        _say(console, remark)
    for remark in measurement.filming:
        _say(console, f"Filming: {remark}")
    for remark in measurement.camera:
        _say(console, f"Camera: {remark}")
    _say(console, CAUTION)


def whole(value_deg: float) -> str:
    """Return an angle in whole degrees, or a dash where it is not known."""
    return f"{value_deg:z.0f}°" if math.isfinite(value_deg) else "-"


def interval(bounds_deg: tuple[float, float]) -> str:
    """Return an interval in whole degrees, the tenths of the data rounded outwards: never narrower than it is."""
    low, high = bounds_deg
    if not (math.isfinite(low) and math.isfinite(high)):
        return "-"
    return f"{math.floor(round(low, 1))} to {math.ceil(round(high, 1))}°"


def _examination(measurement: Measurement) -> Table:
    from vision_rom.report.examination import examination_rows

    table = Table(title_justify="left")
    table.add_column("movement")
    for heading in ("right", "left", "right - left", "textbook"):
        table.add_column(heading, justify="right")
    for row in examination_rows(measurement):
        table.add_row(row.title, row.right, row.left, row.difference, row.textbook)
    return table


def _usual(measurement: Measurement) -> list[str]:
    """Return what healthy people reach, where the user said whom to compare with."""
    from vision_rom.report.examination import examination_rows

    if measurement.person == PersonFacts():
        return []
    return [f"Healthy people, {row.title.lower()}: {row.usual}" for row in examination_rows(measurement) if row.usual]


def place_in_words(place: PlaceReading) -> str:
    """Return a result without a curve in one line: its value with the interval, or why there is none."""
    name = f"{place.movement.replace('_', ' ')}, {place.side}"
    if place.status != "measured":
        return f"{name}: {place.reason}"
    low, high = place.interval95
    if place.unit == "deg":
        return f"{name}: {whole(place.value)} (95% interval {interval(place.interval95)}); compare it before a difference of the sides is called one."
    where = f", {place.zone.lower()}" if place.zone else ""
    length = ""
    across = place.unit == "shoulder_widths"
    if math.isfinite(place.cm):
        what = "between the joints' centres" if across else "below C7"
        length = f"; {place.cm:z.0f} cm {what} ({math.floor(place.cm95[0])} to {math.ceil(place.cm95[1])}), by {place.cm_from}"
    if across:
        return f"{name}: elbow to far shoulder {place.value:.2f} shoulder widths (95% interval {low:.2f} to {high:.2f}){length}"
    return f"{name}: {place.value:.2f} (95% interval {low:.2f} to {high:.2f}){where}{length}"


def _table(readings: list[Reading]) -> Table:
    table = Table(title_justify="left")
    for heading in ("movement", "side", "view", "repetition", "time"):
        table.add_column(heading)
    for heading in ("held", "peak", "95% interval"):
        table.add_column(heading, justify="right")
    for reading in readings:
        for number, repetition in enumerate(reading.repetitions, start=1):
            table.add_row(
                reading.movement.replace("_", " "),
                reading.side,
                (reading.view or "-").replace("_", " "),
                str(number),
                f"{repetition.start_s:.1f}-{repetition.end_s:.1f} s",
                whole(repetition.held_deg),
                whole(repetition.peak_deg),
                interval(repetition.interval95_deg),
            )
        table.add_row(
            reading.movement.replace("_", " "),
            reading.side,
            (reading.view or "-").replace("_", " "),
            "reading",
            "",
            whole(reading.held_deg),
            whole(reading.peak_deg),
            interval(reading.interval95_deg),
            style="bold",
            end_section=True,
        )
    return table


def _name(reading: Reading) -> str:
    return f"{reading.movement.replace('_', ' ')}, {reading.side}"


def _say(console: Console, sentence: str) -> None:
    console.print(f"• {sentence}", highlight=False, soft_wrap=True, markup=False)
