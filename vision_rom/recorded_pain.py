"""Put a measurement and what was recorded of pain together: marks from every source, the painful arc of every reading."""

from __future__ import annotations

import csv
import math
from dataclasses import replace
from pathlib import Path

from vision_rom.clip.sound import loudness_of
from vision_rom.errors import UsageError
from vision_rom.handover import Reading
from vision_rom.movements import movement as movement_named
from vision_rom.outside_text import NotPlain, toml_of
from vision_rom.pain import (
    Finding,
    PainAsked,
    PainfulArc,
    PainMark,
    ReadingPain,
    at_angles,
    findings_of,
    hand_signal_marks,
    marks_from_text,
    marks_of_table,
    painful_arc,
    sound_signal_marks,
    strokes_s,
)
from vision_rom.pain.marks import WORST_SCORE, Source
from vision_rom.pain.mixed_arms import without_mixed_arms
from vision_rom.pain.moving import as_if_held
from vision_rom.pain.recorded import ORDER
from vision_rom.readings import Measurement


def table_beside(clip: Path) -> Path | None:
    """Return ``CLIP-stem.pain.csv`` beside the recording, where there is one."""
    path = clip.with_name(f"{clip.stem}.pain.csv")
    return path if path.is_file() else None


def with_findings(measurement: Measurement, path: Path) -> Measurement:
    """Return the measurement with the examiner's findings of :func:`findings_in`, each at the angle it was made at."""
    return replace(measurement, findings=at_angles(findings_in(path), measurement.curves))


def findings_in(path: Path) -> tuple[Finding, ...]:
    """Return the examiner's findings from a TOML file of ``[[finding]]`` tables.

    Raises
    ------
    UsageError
        The file cannot be read, is no TOML, or holds what is not allowed.

    """
    try:
        document = toml_of(path.read_bytes())
    except OSError as error:
        raise UsageError(f"The findings '{path}' cannot be read: {error.strerror or error}.") from error
    except NotPlain as error:
        raise UsageError(f"The findings '{path}' are no valid TOML: {error}.") from error
    rows = document.get("finding")
    if not isinstance(rows, list) or set(document) != {"finding"} or not all(isinstance(row, dict) for row in rows):
        raise UsageError(f"The findings '{path}' must hold [[finding]] tables and nothing else.")
    return findings_of(rows)


def with_pain(measurement: Measurement, asked: PainAsked) -> Measurement:
    """Return the measurement with the pain of each of its readings.

    Raises
    ------
    UsageError
        A mark cannot be read, lies outside the recording, overlaps another or has an impossible score; or pain was
        both marked and denied.

    """
    if asked.none and (asked.typed or asked.table):
        raise UsageError("Pain was marked and denied at once; leave out the marks or --no-pain.")
    if not math.isnan(asked.at_rest) and not 0 <= asked.at_rest <= WORST_SCORE:
        raise UsageError(f"The pain at rest has the score {asked.at_rest:g}; a score lies between 0 and 10.")
    duration_s = measurement.clip.duration_s
    given: dict[Source, tuple[PainMark, ...]] = {}
    if asked.typed:
        given["typed"] = marks_from_text(asked.typed, duration_s=duration_s)
    if asked.table is not None:
        given["table"] = marks_in(asked.table, duration_s=duration_s)
    if "sound" in asked.signals:
        given["sound"] = _heard(measurement)
    pains = tuple(_of_reading(measurement, reading, given, asked) for reading in measurement.readings)
    return replace(measurement, pain=pains)


def _of_reading(
    measurement: Measurement, reading: Reading, given: dict[Source, tuple[PainMark, ...]], asked: PainAsked
) -> ReadingPain:
    curve = measurement.curve_of(reading)
    own = dict(given)
    if "hand" in asked.signals:
        own["hand signal"] = hand_signal_marks(measurement.track, measured=reading.side)
    if curve is None or not asked.recorded or not reading.repetitions:
        return ReadingPain(PainfulArc("not recorded"), (), asked.at_rest, asked.stopped_because)
    # whatever the marks came from, a hand that was up may have been taken for the measured one
    curve = without_mixed_arms(curve, measurement.track, own.get("hand signal", ()))
    if _learned_elevation(measurement, reading):
        curve = as_if_held(curve)
    arcs = tuple((source, painful_arc(reading.repetitions, curve, own[source])) for source in ORDER if own.get(source))
    if arcs:
        arc = arcs[0][1]
    elif asked.none:
        arc = painful_arc(reading.repetitions, curve, ())
    else:
        # a signal that was looked for and not found is no statement that it did not hurt
        arc = painful_arc(reading.repetitions, curve, None)
        arc = replace(arc, remarks=("No signal was found in the recording; that is no sign that it did not hurt.",))
    return ReadingPain(arc, arcs if len(arcs) > 1 else (), asked.at_rest, asked.stopped_because)


def _learned_elevation(measurement: Measurement, reading: Reading) -> bool:
    return measurement.parameters.get("method") == "learned" and movement_named(reading.movement).kind == "elevation"


def _heard(measurement: Measurement) -> tuple[PainMark, ...]:
    loudness = loudness_of(measurement.clip.path)
    if loudness is None:
        raise UsageError(f"The recording '{measurement.clip.path}' has no sound, so no sound signal can be looked for.")
    times = loudness.start_s + strokes_s(loudness.level, loudness.step_s)
    return sound_signal_marks(times[times >= 0] * measurement.clip.time_factor)


def marks_in(path: Path, *, duration_s: float | None = None) -> tuple[PainMark, ...]:
    """Return the pain marks of a CSV file with ``start_s`` and perhaps ``end_s`` and ``score``.

    Raises
    ------
    UsageError
        The file cannot be read, is no CSV text, or holds a mark that is not allowed.

    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = list(csv.DictReader(file))
    except OSError as error:
        raise UsageError(f"The pain marks '{path}' cannot be read: {error.strerror or error}.") from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise UsageError(f"The pain marks '{path}' are no CSV text: {error}.") from error
    if rows and "start_s" not in rows[0]:
        raise UsageError(f"The pain marks '{path}' have no column start_s; name the columns start_s, end_s, score.")
    return marks_of_table(rows, duration_s=duration_s)
