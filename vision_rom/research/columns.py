"""The columns of every table, each with its unit and meaning: the one place they are written down.

``readings`` and ``repetitions`` follow :class:`vision_rom.handover.Reading` and ``Repetition`` field by field, so that a
field added there appears in the tables without being written down twice.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import asdict, dataclass, fields, is_dataclass
from functools import lru_cache
from typing import Any, Literal, get_args, get_origin, get_type_hints

from vision_rom.handover import Reading, Repetition

Kind = Literal["text", "number", "whole", "yes_no"]
TABLES = ("readings", "repetitions", "clips", "failures")
"""Tables of the whole run; ``frames`` is one file for each clip."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table."""

    name: str
    kind: Kind
    meaning: str

    @property
    def unit(self) -> str:
        """The unit that the name ends with."""
        for ending, unit in _UNITS:
            if self.name.endswith(ending):
                return unit
        return ""


_UNITS = (
    ("_deg_s", "degrees a second"),
    ("_deg", "degrees"),
    ("_s", "seconds"),
    ("_hz", "a second"),
    ("_px", "pixels"),
    ("_m", "metres"),
    ("visibility", "0 to 1"),
)
_DIGITS = (("_deg_s", 3), ("_deg", 3), ("_s", 4), ("_hz", 4), ("_px", 3), ("_m", 5), ("visibility", 4))

_WHO = (
    Column("clip_id", "text", "Name of the row of the manifest in this run"),
    Column("subject", "text", "From the manifest"),
    Column("visit", "text", "From the manifest"),
)
_MEANINGS = {
    "Reading.joint": "Joint",
    "Reading.movement": "Movement, as in the catalogue",
    "Reading.side": "The person's own side",
    "Reading.status": "measured or not_measured",
    "Reading.reason": "Why it was not measured, with what to do about it; empty where it was",
    "Reading.view": "How the trunk was turned to the camera",
    "Reading.camera_off_plane_deg": "Angle between the plane of motion and the picture's plane; empty where unknown",
    "Reading.held_deg": "Mean over the repetitions of their held_deg",
    "Reading.peak_deg": "Largest peak_deg of the repetitions",
    "Reading.interval95_deg": "95% interval of held_deg as far as camera, network and geometry go",
    "Reading.vertical_held_deg": "The same arm against the picture's vertical",
    "Reading.vertical95_deg": "95% interval of vertical_held_deg where down is known, with what the focal length's range changes",
    "Reading.motion": "active, assisted or passive: who moved the arm",
    "Reading.compensations": "What the rest of the body did to help the arm, in sentences",
    "Reading.remarks": "Sentences for the reader, parted by ' | '",
    "Repetition.start_s": "Start of the raise",
    "Repetition.peak_s": "Time of the highest point",
    "Repetition.end_s": "End of the return",
    "Repetition.peak_deg": "Maximum of the smoothed curve inside the repetition",
    "Repetition.held_deg": "Largest mean of the smoothed curve over any 0.5 s inside the repetition",
    "Repetition.start_deg": "Angle at start_s",
    "Repetition.peak_speed_deg_s": "Largest speed of the smoothed curve",
    "Repetition.interval95_deg": "95% interval of held_deg",
    "Repetition.hold_start_s": "Start of the 0.5 s that held_deg is the mean of",
    "Repetition.hold_end_s": "End of them",
    "Repetition.vertical_held_deg": "Against the picture's vertical over the same 0.5 s",
    "Repetition.raise_s": "From the start until nine tenths of the way are reached",
    "Repetition.hold_s": "While the arm keeps above nine tenths of the way",
    "Repetition.lower_s": "From there to the end of the return",
    "Repetition.lowering_speed_deg_s": "Largest speed on the way down",
    "Repetition.smoothness": "Spectral arc length of the speed: negative, nearer to 0 the smoother; compare at equal settings only",
}
_NOT_A_COLUMN = {"Reading.repetitions", "Reading.marks"}

CLIP_COLUMNS = (
    *_WHO,
    Column("clip", "text", "Path of the recording from the manifest's folder"),
    Column("status", "text", "read, or failed: see failures"),
    Column("source", "text", "recording or landmarks"),
    Column("sha256", "text", "SHA-256 of the file"),
    Column("duration_s", "number", "From the first picture to the end of the last"),
    Column("frames_decoded", "whole", "Pictures in the recording"),
    Column("frames_looked_at", "whole", "Pictures that the network looked at"),
    Column("frame_rate_hz", "number", "Pictures a second of the recording"),
    Column("variable_frame_rate", "yes_no", "The pictures do not come at one rate"),
    Column("rotation_deg", "number", "Clockwise turn that made the stored picture upright"),
    Column("mirrored", "yes_no", "The stored picture was flipped, and was flipped back"),
    Column("width_px", "whole", "Width of the upright picture"),
    Column("height_px", "whole", "Height of the upright picture"),
    Column("time_factor", "number", "Real seconds for each recorded second"),
    Column("codec", "text", "How the pictures are coded"),
    Column("colour", "text", "The rule by which the stored colours became RGB"),
    Column("model", "text", "Pose network"),
    Column("model_sha256", "text", "SHA-256 of the network's file"),
    Column("model_library", "text", "Library that ran the network"),
    Column("choice", "text", "Which movement and side were measured, and why"),
    Column("remarks", "text", "Sentences for the reader, parted by ' | '"),
)
FAILURE_COLUMNS = (
    *_WHO,
    Column("clip", "text", "Path of the recording from the manifest's folder"),
    Column("movement", "text", "Movement that could not be measured; empty where the recording could not be read"),
    Column("side", "text", "Side that could not be measured; empty where the recording could not be read"),
    Column(
        "kind",
        "text",
        "not_measured, the name of an error of vision_rom.errors, worker_lost, out_of_memory or unexpected",
    ),
    Column("reason", "text", "What was wrong, and what to do about it"),
)
FRAME_COLUMNS = (
    Column("clip_id", "text", "Name of the row of the manifest in this run"),
    Column("frame_index", "whole", "Decoded pictures before this one"),
    Column("time_s", "number", "Since the first picture, in the container's own times after the time factor"),
    Column("kind", "text", "landmark or angle"),
    Column("landmark", "text", "Body point; empty in rows of angles"),
    Column("movement", "text", "Movement whose angle it is; empty in rows of landmarks"),
    Column("side", "text", "The person's own side; empty for points in the middle"),
    Column("x_px", "number", "To the right in the upright picture"),
    Column("y_px", "number", "Down in the upright picture"),
    Column("z_px", "number", "Depth as the network guesses it, hips' middle 0, towards the camera negative"),
    Column("x_m", "number", "To the right from the hips' middle"),
    Column("y_m", "number", "Down from the hips' middle"),
    Column("z_m", "number", "Away from the camera from the hips' middle"),
    Column("visibility", "number", "Of the landmark, or the least of those that the angle rests on"),
    Column("raw_deg", "number", "Angle as measured in this picture"),
    Column("smoothed_deg", "number", "The smoothed curve at this time; empty in gaps"),
    Column("vertical_deg", "number", "Raw, against the picture's vertical"),
    Column("outlier", "yes_no", "The raw angle was set aside before smoothing"),
    Column("width_px", "whole", "Width of the upright picture"),
    Column("height_px", "whole", "Height of the upright picture"),
)


@lru_cache
def columns_of(table: str) -> tuple[Column, ...]:
    """Return the columns of a table, without those that a manifest carries through."""
    if table == "readings":
        return (
            *_WHO,
            *_of(Reading),
            Column("repetitions_measured", "whole", "Repetitions that the reading is the mean of"),
        )
    if table == "repetitions":
        which = [one for one in _of(Reading) if one.name in ("joint", "movement", "side")]
        return (
            *_WHO,
            *which,
            Column("repetition", "whole", "1 is the first measured in the recording"),
            *_of(Repetition),
        )
    return {"clips": CLIP_COLUMNS, "failures": FAILURE_COLUMNS, "frames": FRAME_COLUMNS}[table]


def reserved_names() -> frozenset[str]:
    """Return the names that a carried column must not have."""
    return frozenset(one.name for table in (*TABLES, "frames") for one in columns_of(table)) | {"clip_id"}


def values_of(record: Any) -> dict[str, Any]:
    """Return the cells of a Reading or Repetition, named and rounded as the columns say; NaN is None."""
    cells: dict[str, Any] = {}
    for name, (columns, split) in _plan(type(record)).items():  # type: ignore[arg-type]
        for column, value in zip(columns, split(getattr(record, name)), strict=True):
            cells[column.name] = clean(column.name, value)
    return cells


def clean(name: str, value: Any) -> Any:
    """Return a cell as it is written: rounded by its unit, NaN and infinity as None, numpy's numbers as Python's."""
    if value is None or isinstance(value, str | bool):
        return value
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float):
        if not math.isfinite(value):
            return None
        for ending, digits in _DIGITS:
            if name.endswith(ending):
                return round(value, digits) + 0.0
        return round(value, 6)
    return value


def digits_of(name: str) -> int:
    """Return the decimals that a column of numbers is rounded to."""
    return next((digits for ending, digits in _DIGITS if name.endswith(ending)), 6)


def _of(kind: type[Any]) -> tuple[Column, ...]:
    plan = _plan(kind)  # type: ignore[arg-type]
    return tuple(column for columns, _ in plan.values() for column in columns)


Split = Callable[[Any], tuple[Any, ...]]


@lru_cache
def _plan(kind: type[Any]) -> dict[str, tuple[tuple[Column, ...], Split]]:
    """For each field of a dataclass: its columns, and how its value parts into them."""
    hints = get_type_hints(kind)
    plan: dict[str, tuple[tuple[Column, ...], Split]] = {}
    for one in fields(kind):
        key = f"{kind.__name__}.{one.name}"
        if key in _NOT_A_COLUMN:
            continue
        meaning = _MEANINGS.get(key, f"See vision_rom.handover.{key}")
        hint = hints[one.name]
        if hint == tuple[float, float]:
            base, unit = one.name.rsplit("_", 1)
            ends = tuple(Column(f"{base}_{end}_{unit}", "number", f"{meaning}: {end} end") for end in ("low", "high"))
            plan[one.name] = (ends, _pair)
        elif (simple := _simple(hint)) is not None:
            plan[one.name] = ((Column(one.name, simple, meaning),), _single)
        elif hint == tuple[str, ...]:
            plan[one.name] = ((Column(one.name, "text", meaning),), _sentences)
        else:
            plan[one.name] = ((Column(one.name, "text", f"{meaning}; as JSON"),), _as_json)
    return plan


def _simple(hint: Any) -> Kind | None:
    kinds = {type(one) if get_origin(hint) is Literal else one for one in (get_args(hint) or (hint,))} - {type(None)}
    for one in list(kinds):
        if get_origin(one) is Literal:
            kinds.discard(one)
            kinds |= {type(value) for value in get_args(one)}
    known: dict[type, Kind] = {str: "text", float: "number", int: "whole", bool: "yes_no"}
    return known.get(next(iter(kinds))) if len(kinds) == 1 else None


def _pair(value: tuple[float, float]) -> tuple[Any, ...]:
    return tuple(value)


def _single(value: Any) -> tuple[Any, ...]:
    return (value,)


def _sentences(value: tuple[str, ...]) -> tuple[Any, ...]:
    return (" | ".join(value),)


def _as_json(value: Any) -> tuple[Any, ...]:
    def plain(one: Any) -> Any:
        if is_dataclass(one) and not isinstance(one, type):
            return plain(asdict(one))
        if isinstance(one, dict):
            return {str(key): plain(item) for key, item in one.items()}
        if isinstance(one, list | tuple):
            return [plain(item) for item in one]
        return clean("", one)

    if value is None or value == ():
        return (None,)
    return (json.dumps(plain(value), sort_keys=True, ensure_ascii=False),)
