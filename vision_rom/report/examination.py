"""The table of a whole examination: movements by row, right and left beside each other, their difference, and a published value."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from vision_rom.handover import PersonFacts, PlaceReading, Reading
from vision_rom.motion.segments import rest_between
from vision_rom.movements import Movement, load_catalogue, norm_for, side_difference_for
from vision_rom.movements import movement as movement_named
from vision_rom.movements.model import Unit
from vision_rom.readings import Measurement
from vision_rom.report.pictures import annotated_at, best_repetition, jpeg_of, on_white

Picture = NDArray[np.uint8]
CELL_PX = (260, 340)
CAPTION_PX = 46
CELLS_A_ROW = 6


@dataclass(frozen=True, slots=True)
class Row:
    """One movement; texts are what is printed."""

    movement: str
    title: str
    right: str
    left: str
    difference: str
    """Right minus left with its 95% interval; empty where a side is missing"""
    textbook: str
    usual: str
    """What healthy people of that age and sex reach, as far as a published value fits; and the usual difference of the sides"""


def examination_rows(measurement: Measurement) -> tuple[Row, ...]:
    """Return a row for each movement that was shown, in the catalogue's order."""
    shown = {one.movement for one in measurement.readings} | {one.movement for one in measurement.places}
    return tuple(_row(one, measurement) for one in load_catalogue() if one.name in shown)


def examination_table(measurement: Measurement) -> pd.DataFrame:
    """Return the recording as a table: what each arm did when, and when both rested."""
    columns = ("start_s", "end_s", "side", "movement", "confidence", "best_guess", "view")
    rows = [[getattr(one, name) for name in columns] for one in measurement.segments]
    rests = rest_between(measurement.segments, measurement.clip.duration_s)
    rows += [[start, end, "both", "rest", None, None, None] for start, end in rests.tolist()]
    table = pd.DataFrame(rows, columns=list(columns))
    return table.sort_values(["start_s", "end_s"], kind="stable", ignore_index=True)


def _row(movement: Movement, measurement: Measurement) -> Row:
    angles: dict[str, Reading | PlaceReading] = {
        one.side: one for one in measurement.readings if one.movement == movement.name
    }
    distances: dict[str, Reading | PlaceReading] = {
        one.side: one for one in measurement.places if one.movement == movement.name
    }
    # a movement that is marked has both, where it was
    of = [tuple(kind[side] for kind in (angles, distances) if side in kind) for side in ("right", "left")]
    right, left = of
    textbook = movement.textbook
    quoted = "" if textbook is None or textbook.value is None else f"{textbook.value:g} ({textbook.source.short})"
    return Row(
        movement=movement.name,
        title=movement.title,
        right=_values(right),
        left=_values(left),
        difference=_differences(right, left),
        textbook=quoted,
        usual=_usual(movement, measurement.person, _units(movement, (*right, *left))),
    )


def _units(movement: Movement, shown: Sequence[Reading | PlaceReading]) -> tuple[Unit, ...]:
    """Return the units in which a movement was read, for which published ranges may be known."""
    if movement.kind != "distance":
        return (movement.unit,)
    measured = [one for one in shown if one.status == "measured"]
    in_cm = any(isinstance(one, PlaceReading) and math.isfinite(one.cm) for one in measured)
    units: list[Unit] = ["deg"] if measured else []
    return (*units, "cm") if in_cm else tuple(units)


def _usual(movement: Movement, person: PersonFacts, units: Sequence[Unit]) -> str:
    norms = [norm_for(movement, age=person.age, sex=person.sex, unit=unit) for unit in units]
    said = [norm.text for norm in norms if norm.norms]
    sides = side_difference_for(movement, sex=person.sex)
    if person.dominant is not None and sides is not None:
        unit = "°" if sides.unit == "deg" else f" {sides.unit}"
        said.append(
            f"{person.dominant} (dominant) minus other side usually {sides.value:+g}{unit} ({sides.source.short})"
        )
    return "; ".join(said)


def _values(of_side: Sequence[Reading | PlaceReading]) -> str:
    """Return what one side reached: an angle, a place, or both; once where neither was measured."""
    return ", ".join(dict.fromkeys(_value(one) for one in of_side)) or "missing"


def _differences(right: Sequence[Reading | PlaceReading], left: Sequence[Reading | PlaceReading]) -> str:
    if len(right) != len(left):
        return ""
    return ", ".join(filter(None, (_difference(*pair) for pair in zip(right, left, strict=True))))


def _value(one: Reading | PlaceReading) -> str:
    if one.status != "measured":
        return "not measured"
    if isinstance(one, Reading):
        return f"{one.held_deg:.0f}° ±{_half(one.interval95_deg):.0f}"
    if one.unit == "deg":
        return f"{one.value:.0f}° ±{_half(one.interval95):.0f}"
    if one.unit == "shoulder_widths":
        length = f" ({one.cm:.0f} ±{_half(one.cm95):.0f} cm)" if math.isfinite(one.cm) else ""
        return f"{one.value:.2f} ±{_half(one.interval95):.2f} widths{length}"
    return f"{one.value:.2f} ±{_half(one.interval95):.2f} {one.zone}".strip()


def _difference(right: Reading | PlaceReading, left: Reading | PlaceReading) -> str:
    if right.status != "measured" or left.status != "measured":
        return ""
    if isinstance(right, Reading) and isinstance(left, Reading):
        half = math.hypot(_half(right.interval95_deg), _half(left.interval95_deg))
        return f"{right.held_deg - left.held_deg:+.0f}° ±{half:.0f}"
    if isinstance(right, PlaceReading) and isinstance(left, PlaceReading):
        half = math.hypot(_half(right.interval95), _half(left.interval95))
        if right.unit == "deg":
            return f"{right.value - left.value:+.0f}° ±{half:.0f}"
        return f"{right.value - left.value:+.2f} ±{half:.2f}" + (" widths" if right.unit == "shoulder_widths" else "")
    return ""


def _half(interval: tuple[float, float]) -> float:
    return (interval[1] - interval[0]) / 2


def best_pictures_jpeg(measurement: Measurement) -> bytes | None:
    """Return one annotated picture for each movement and side at its best held angle, as JPEG bytes; None where there is none.

    Heads are hidden; no metadata.
    """
    cells = list(_cells(measurement))
    if not cells:
        return None
    blank = np.full_like(cells[0], 255)
    rows = [cells[start : start + CELLS_A_ROW] for start in range(0, len(cells), CELLS_A_ROW)]
    width = min(CELLS_A_ROW, len(cells))
    sheet = np.vstack([np.hstack([*row, *[blank] * (width - len(row))]) for row in rows])
    return jpeg_of(sheet, quality=85)


def _cells(measurement: Measurement) -> Iterator[Picture]:
    for reading in _by_movement(measurement.readings):
        best = best_repetition(reading)
        if reading.status != "measured" or best is None:
            continue
        at_s = (best.hold_start_s + best.hold_end_s) / 2
        drawn = annotated_at(measurement, reading, at_s, angle_deg=best.held_deg)
        if drawn is not None:
            yield _cell(drawn, f"{reading.side}: {movement_named(reading.movement).title}", f"{at_s:.1f} s")


def _by_movement(readings: Sequence[Reading]) -> list[Reading]:
    order = [one.name for one in load_catalogue()]
    return sorted(readings, key=lambda one: (order.index(one.movement), one.side != "right"))


def _cell(drawn: Picture, title: str, time: str) -> Picture:
    cell = on_white(drawn, CELL_PX, above_px=CAPTION_PX)
    for text, y in ((title[:34], 18), (time, 38)):
        cv2.putText(cell, text, (6, y), cv2.FONT_HERSHEY_SIMPLEX, 0.45, (20, 20, 20), 1, cv2.LINE_AA)
    return cell
