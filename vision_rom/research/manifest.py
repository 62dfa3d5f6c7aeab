"""Which recordings a run is over: a folder, or a table with one row for each recording."""

from __future__ import annotations

import csv
import hashlib
import io
import os
import re
from collections.abc import Iterable
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Literal, cast

from vision_rom.errors import UsageError
from vision_rom.report.cells import csv_text, plain_cell

VIDEO_ENDINGS = frozenset({".mp4", ".mov", ".m4v", ".avi", ".mkv", ".webm", ".3gp", ".mts"})
LANDMARK_ENDINGS = frozenset({".csv", ".json", ".parquet", ".txt"})
_NUMBERS = ("time_factor", "landmark_rate_hz")
_WHOLE_NUMBERS = ("person", "width_px", "height_px")
LARGEST_WHOLE = 1_000_000
"""Of a person's number or a picture's side: more is a slip of the keyboard, and no table holds more than 64 bits"""
_YES = {"1": True, "true": True, "yes": True, "": False, "0": False, "false": False, "no": False}


@dataclass(frozen=True, slots=True)
class BatchItem:
    """One measurement to be made: a row of the manifest."""

    clip_id: str
    """Unique in the run, the same whenever the same row is given"""
    clip: str
    """Path as the manifest has it, from the manifest's folder, with / between folders"""
    subject: str = ""
    visit: str = ""
    movement: str | None = None
    side: Literal["left", "right", "both"] | None = None
    mirrored: bool = False
    time_factor: float = 1.0
    person: int | None = None
    landmark_rate_hz: float | None = None
    """Pictures a second of a file of landmarks that holds no times"""
    width_px: int | None = None
    """Of the picture that a file of landmarks belongs to, where the file does not say"""
    height_px: int | None = None
    carried: tuple[tuple[str, str], ...] = ()
    """Other columns of the manifest, passed on as text"""

    @property
    def is_landmarks(self) -> bool:
        """The file holds landmarks and no pictures."""
        return Path(self.clip).suffix.lower() in LANDMARK_ENDINGS


OWN_COLUMNS = tuple(one.name for one in fields(BatchItem) if one.name not in ("clip_id", "carried"))


def items_of(source: Path) -> tuple[Path, tuple[BatchItem, ...]]:
    """Return the folder that clip paths start from, and the items of a folder of recordings or a table of them.

    Raises
    ------
    UsageError
        Nothing there, no recording in it, or a row that cannot be understood; the sentence names row and column.

    """
    if source.is_dir():
        return source.resolve(), items_of_folder(source)
    try:
        text = source.read_text(encoding="utf-8-sig")
    except (OSError, ValueError) as error:
        raise UsageError(
            f"{source} is neither a folder of recordings nor a readable CSV table of them ({error})."
        ) from error
    return source.resolve().parent, items_of_table(text, str(source))


def items_of_folder(folder: Path) -> tuple[BatchItem, ...]:
    """Return an item for every recording in a folder and the folders below it, by name."""
    found: list[str] = []
    for here, folders, names in os.walk(folder):
        folders[:] = sorted(one for one in folders if not one.startswith("."))
        for name in names:
            if Path(name).suffix.lower() in VIDEO_ENDINGS and not name.startswith("."):
                found.append((Path(here) / name).relative_to(folder).as_posix())
    if not found:
        raise UsageError(f"There is no recording in {folder}; recordings end with {', '.join(sorted(VIDEO_ENDINGS))}.")
    return tuple(_with_id({"clip": clip}, (), clip) for clip in sorted(found))


def items_of_table(text: str, name: str) -> tuple[BatchItem, ...]:
    """Return the items of a manifest in CSV; only the column ``clip`` must be there."""
    reader = csv.DictReader(io.StringIO(text))
    try:
        return _items(reader, name)
    except csv.Error as error:
        raise UsageError(f"{name}, line {reader.line_num} is no CSV text ({error}); check its quotes.") from error


def _items(reader: csv.DictReader[str], name: str) -> tuple[BatchItem, ...]:
    header = [str(one).strip() for one in reader.fieldnames or ()]
    if "clip" not in header:
        raise UsageError(
            f"{name} has no column 'clip'; a manifest names one recording a row there, beside its own folder."
        )
    doubled = sorted({one for one in header if header.count(one) > 1})
    if doubled:
        raise UsageError(f"{name} has the column {doubled[0]!r} twice; rename one of them.")
    reader.fieldnames = header
    from vision_rom.research.columns import reserved_names

    foreign = [one for one in header if one not in OWN_COLUMNS]
    taken = [one for one in foreign if one in reserved_names() or not one]
    if taken:
        raise UsageError(
            f"{name} has a column {taken[0]!r}, a name that the tables use themselves; rename it in the manifest."
        )
    items: list[BatchItem] = []
    seen: dict[str, int] = {}
    for row in reader:
        where = f"{name}, line {reader.line_num}"
        if None in row or any(value is None for value in row.values()):
            raise UsageError(f"{where} has more or fewer cells than the header; check its commas and quotes.")
        cells = {key: value.strip() for key, value in row.items()}
        if not cells["clip"]:
            raise UsageError(f"{where} names no clip.")
        carried = tuple((key, cells[key]) for key in foreign)
        item = _with_id({key: cells[key] for key in header if key in OWN_COLUMNS}, carried, where)
        if item.clip_id in seen:
            raise UsageError(f"{where} says the same as line {seen[item.clip_id]}; take one of them out.")
        seen[item.clip_id] = reader.line_num
        items.append(item)
    if not items:
        raise UsageError(f"{name} has a header and no row.")
    return tuple(items)


def manifest_text(items: Iterable[BatchItem]) -> str:
    """Return the manifest in one fixed form, with the id of each row, from which the same items can be read."""
    items = tuple(items)
    foreign = [key for key, _ in items[0].carried] if items else []
    rows = [["clip_id", *OWN_COLUMNS, *foreign]]
    rows += [
        [item.clip_id, *(_text(getattr(item, name)) for name in OWN_COLUMNS), *(value for _, value in item.carried)]
        for item in items
    ]
    return csv_text(rows)


def items_of_manifest_text(text: str, name: str) -> tuple[BatchItem, ...]:
    """Return the items that :func:`manifest_text` wrote."""
    rows = list(csv.reader(io.StringIO(text)))
    buffer = io.StringIO()
    csv.writer(buffer, lineterminator="\n").writerows([plain_cell(cell) for cell in row[1:]] for row in rows)
    return items_of_table(buffer.getvalue(), name)


def _text(value: object) -> str:
    if value is None:
        return ""
    return str(value).lower() if isinstance(value, bool) else str(value)


def _with_id(cells: dict[str, str], carried: tuple[tuple[str, str], ...], where: str) -> BatchItem:
    values: dict[str, object] = {}
    for name, cell in cells.items():
        if name in _NUMBERS or name in _WHOLE_NUMBERS:
            values |= _number(name, cell, where)
        elif name == "mirrored":
            if cell.lower() not in _YES:
                raise UsageError(f"{where}: 'mirrored' is {cell!r}; say yes or no.")
            values[name] = _YES[cell.lower()]
        elif name == "side":
            if cell not in ("", "left", "right", "both"):
                raise UsageError(f"{where}: 'side' is {cell!r}; it must be left, right, both or empty.")
            values[name] = cell or None
        elif name == "movement":
            values[name] = _movement(cell, where)
        else:
            values[name] = cell
    clip = cast(str, values["clip"]).replace("\\", "/") if os.sep == "\\" else cast(str, values["clip"])
    draft = BatchItem(clip_id="", carried=carried, **{**values, "clip": clip})  # type: ignore[arg-type]
    facts = "\x1f".join([*(_text(getattr(draft, one)) for one in OWN_COLUMNS), *(f"{k}={v}" for k, v in carried)])
    stem = re.sub(r"[^a-z0-9]+", "_", Path(clip).stem.lower()).strip("_")[:40] or "clip"
    clip_id = f"{stem}-{hashlib.sha256(facts.encode()).hexdigest()[:10]}"
    return BatchItem(clip_id=clip_id, carried=carried, **{**values, "clip": clip})  # type: ignore[arg-type]


def _number(name: str, cell: str, where: str) -> dict[str, object]:
    if not cell:
        return {}
    try:
        value = int(cell) if name in _WHOLE_NUMBERS else float(cell)
    except ValueError:
        raise UsageError(f"{where}: {name!r} is {cell!r}, which is no number.") from None
    if not 0 < value < float("inf"):
        raise UsageError(f"{where}: {name!r} is {cell}; it must be more than 0.")
    if name in _WHOLE_NUMBERS and value > LARGEST_WHOLE:
        raise UsageError(f"{where}: {name!r} is {cell[:20]}; it must be at most {LARGEST_WHOLE}.")
    return {name: value}


def _movement(cell: str, where: str) -> str | None:
    from vision_rom.movements import movement as movement_named

    if not cell:
        return None
    try:
        found = movement_named(cell)
    except UsageError as error:
        raise UsageError(f"{where}: {error}") from None
    if found.status != "measured":
        raise UsageError(
            f"{where}: the movement {cell!r} is in the catalogue, but is not measured without a mark or not yet at all."
        )
    return found.name
