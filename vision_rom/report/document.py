"""The reading document: what ``--json`` prints and ``reading.json`` holds.

The contract is ``reading.schema.json`` beside this module. Keys are only ever added; a change of meaning makes a new
schema name. Definitions of the numbers:

``held_deg`` of a repetition
    The largest mean of the smoothed curve over any 0.5 s inside the repetition.
``peak_deg`` of a repetition
    The maximum of the smoothed curve inside the repetition.
``held_deg`` of a reading
    The mean over its repetitions of their ``held_deg``.
``peak_deg`` of a reading
    The largest ``peak_deg`` of its repetitions.
``interval95_deg``
    Covers the true held value with 95% confidence as far as the instrument goes (camera, network, geometry); it does
    not cover how the patient differs from day to day.
``vertical_held_deg``
    The same arm against the picture's vertical over the same time: it moves with a lean of the trunk, ``held_deg``
    does not.
``vertical95_deg``
    Its interval, where it is known which way is down: the wider of ``interval95_deg`` and the plain angle's own, widened, in
    squares, by what is not known of down and by what the range of the camera's focal length changes. Without a camera profile
    that range is wide. It was put together from these parts, not calibrated by itself.
``marks``
    Points that a person marked in the picture, where a reading rests on them. Such a reading has no curve: each repetition is one marked
    picture, and its held and peak value are both the angle there.
"""

from __future__ import annotations

import json
import platform
from functools import lru_cache
from importlib.metadata import version
from importlib.resources import files
from pathlib import Path
from typing import Any

from vision_rom import __version__
from vision_rom.errors import UsageError
from vision_rom.handover import ArmMark, Clip, PlaceReading, Reading, Repetition, Segment
from vision_rom.movements import load_catalogue
from vision_rom.movements.files import key_path
from vision_rom.outside_text import json_in
from vision_rom.pain import PainfulArc, ReadingPain
from vision_rom.readings import Measurement
from vision_rom.report.pain import finding_document, painful_arc_document, rounded

SCHEMA_NAME = "vision-rom/reading/1"
_LIBRARIES = ("numpy", "scipy", "av", "ai-edge-litert", "opencv-contrib-python")


def reading_document(measurement: Measurement) -> dict[str, Any]:
    """Return the reading document of a measurement: plain JSON values, angles to a tenth, NaN as null."""
    pains = measurement.pain or (ReadingPain(PainfulArc("not recorded")),) * len(measurement.readings)
    return {
        "schema": SCHEMA_NAME,
        "software": _software(measurement),
        "clip": _clip(measurement.clip),
        "choice": measurement.choice,
        "readings": [
            _reading(reading) | {"painful_arc": painful_arc_document(pain)}
            for reading, pain in zip(measurement.readings, pains, strict=True)
        ],
        "places": [_place(one) for one in measurement.places],
        "segments": [_segment(one) for one in measurement.segments],
        "missing": list(measurement.missing),
        "findings": [finding_document(one) for one in measurement.findings],
        "filming": list(measurement.filming),
        "camera": list(measurement.camera),
        "remarks": [*measurement.clip.remarks, *measurement.track.remarks],
    }


def to_json(document: dict[str, Any]) -> str:
    """Return the document as text: two spaces, keys in the documented order, no NaN, a newline at the end."""
    return json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


@lru_cache
def reading_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of the reading document."""
    text = files("vision_rom.report").joinpath("reading.schema.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def check_document(document: dict[str, Any]) -> None:
    """Raise ``jsonschema.ValidationError`` where the document breaks its contract."""
    import jsonschema

    jsonschema.Draft202012Validator(reading_schema()).validate(document)


def read_document(path: Path) -> dict[str, Any]:
    """Return the reading document of a file.

    Raises
    ------
    UsageError
        The file cannot be read, is no JSON text, or is no reading document.

    """
    return checked_document(json_in(path, "reading document"))


def checked_document(values: Any) -> dict[str, Any]:
    """Return a reading document that came from outside.

    Raises
    ------
    UsageError
        It breaks its contract, or names a movement that is not in the catalogue.

    """
    import jsonschema

    try:
        check_document(values)
    except jsonschema.ValidationError as error:
        where = key_path(error.absolute_path)
        raise UsageError(f"This is no reading document of vision-rom: {where}: {error.message[:200]}.") from error
    document: dict[str, Any] = values
    known = load_catalogue()
    for reading in document["readings"]:
        if reading["movement"] != "unknown" and reading["movement"] not in known:
            raise UsageError(
                f"The reading document names the movement '{reading['movement']}', which is not in the catalogue."
            )
    return document


def _software(measurement: Measurement) -> dict[str, Any]:
    model = measurement.track.model
    return {
        "name": "vision-rom",
        "version": __version__,
        "python": platform.python_version(),
        "libraries": {name: version(name) for name in _LIBRARIES},
        "model": {"name": model.name, "sha256": model.sha256, "library": model.library},
        "parameters": measurement.parameters,
    }


def _clip(clip: Clip) -> dict[str, Any]:
    return {
        # the name alone: a path tells more of the owner's machine than a document should
        "file": clip.path.name,
        "sha256": clip.sha256,
        "duration_s": rounded(clip.duration_s, 3),
        "frames_decoded": clip.frames_decoded,
        "frame_rate_hz": rounded(clip.frame_rate_hz, 3),
        "variable_frame_rate": clip.variable_frame_rate,
        "rotation_deg": clip.rotation_deg,
        "mirrored": clip.mirrored,
        "width_px": clip.width_px,
        "height_px": clip.height_px,
        "frames_declared": clip.frames_declared,
        "frames_thinned": clip.frames_thinned,
        "time_factor": clip.time_factor,
        "codec": clip.codec,
        "colour": clip.colour,
        "gaps_s": [[rounded(start, 3), rounded(end, 3)] for start, end in clip.gaps_s],
    }


def _reading(reading: Reading) -> dict[str, Any]:
    return {
        "joint": reading.joint,
        "movement": reading.movement,
        "side": reading.side,
        "status": reading.status,
        "motion": reading.motion,
        "reason": reading.reason,
        "view": reading.view,
        "camera_off_plane_deg": rounded(reading.camera_off_plane_deg, 1),
        "repetitions": [_repetition(repetition) for repetition in reading.repetitions],
        "held_deg": rounded(reading.held_deg, 1),
        "peak_deg": rounded(reading.peak_deg, 1),
        "interval95_deg": _interval(reading.interval95_deg),
        "vertical_held_deg": rounded(reading.vertical_held_deg, 1),
        "vertical95_deg": _interval(reading.vertical95_deg),
        "compensations": list(reading.compensations),
        "remarks": list(reading.remarks),
        "marks": [_mark(one) for one in reading.marks],
    }


def _mark(mark: ArmMark) -> dict[str, Any]:
    return {
        "time_s": rounded(mark.time_s, 3),
        "elbow_px": [rounded(value, 1) for value in mark.elbow_px],
        "shoulder_px": None if mark.shoulder_px is None else [rounded(value, 1) for value in mark.shoulder_px],
    }


def _place(place: PlaceReading) -> dict[str, Any]:
    low, high = (rounded(bound, 3) for bound in place.interval95)
    return {
        "movement": place.movement,
        "side": place.side,
        "status": place.status,
        "reason": place.reason,
        "unit": place.unit,
        "value": rounded(place.value, 3),
        "interval95": None if low is None or high is None else [low, high],
        "zone": place.zone,
        "cm": rounded(place.cm, 1),
        "cm95": _interval(place.cm95),
        "cm_from": place.cm_from,
        "start_s": rounded(place.start_s, 3),
        "end_s": rounded(place.end_s, 3),
    }


def _segment(segment: Segment) -> dict[str, Any]:
    return {
        "movement": segment.movement,
        "side": segment.side,
        "start_s": rounded(segment.start_s, 3),
        "end_s": rounded(segment.end_s, 3),
        "view": segment.view,
        "confidence": rounded(segment.confidence, 3),
        "best_guess": segment.best_guess,
    }


def _repetition(repetition: Repetition) -> dict[str, Any]:
    return {
        "start_s": rounded(repetition.start_s, 3),
        "peak_s": rounded(repetition.peak_s, 3),
        "end_s": rounded(repetition.end_s, 3),
        "peak_deg": rounded(repetition.peak_deg, 1),
        "held_deg": rounded(repetition.held_deg, 1),
        "start_deg": rounded(repetition.start_deg, 1),
        "peak_speed_deg_s": rounded(repetition.peak_speed_deg_s, 1),
        "interval95_deg": _interval(repetition.interval95_deg),
        "hold_start_s": rounded(repetition.hold_start_s, 3),
        "hold_end_s": rounded(repetition.hold_end_s, 3),
        "vertical_held_deg": rounded(repetition.vertical_held_deg, 1),
        "raise_s": rounded(repetition.raise_s, 2),
        "hold_s": rounded(repetition.hold_s, 2),
        "lower_s": rounded(repetition.lower_s, 2),
        "lowering_speed_deg_s": rounded(repetition.lowering_speed_deg_s, 1),
        "smoothness": rounded(repetition.smoothness, 3),
    }


def _interval(interval: tuple[float, float]) -> list[float] | None:
    low, high = (rounded(bound, 1) for bound in interval)
    return None if low is None or high is None else [low, high]
