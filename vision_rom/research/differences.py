"""What two runs over the same recordings differ in, cell by cell."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from vision_rom.errors import UsageError
from vision_rom.report.cells import csv_text
from vision_rom.research.columns import TABLES
from vision_rom.research.libraries import pyarrow_parquet
from vision_rom.research.run_folder import Run

_KEYS = {
    "readings": ("clip_id", "movement", "side"),
    "repetitions": ("clip_id", "movement", "side", "repetition"),
    "clips": ("clip_id",),
    "failures": ("clip_id", "movement", "side", "kind"),
    "frames": ("frame_index", "kind", "landmark", "movement", "side"),
}


@dataclass(frozen=True, slots=True)
class Difference:
    """One cell that differs, or one row that only one run has (then ``column`` is empty)."""

    table: str
    row: str
    column: str
    first: str
    second: str


def differences_between(first: Run, second: Run) -> list[Difference]:
    """Return every difference between the versions, tables and frames of two runs, in a fixed order.

    Raises
    ------
    UsageError
        A run was not finished.

    """
    found = [
        Difference("software", "", name, a, b) for name, a, b in _unequal(_flat(first.software), _flat(second.software))
    ]
    for table in TABLES:
        a, b = (_read(run.folder / f"{table}.parquet") for run in (first, second))
        found += _compare(table, a, b)
    for item in first.items:
        places = [run.folder / "frames" / f"{item.clip_id}.parquet" for run in (first, second)]
        if all(one.exists() for one in places):
            if places[0].read_bytes() != places[1].read_bytes():
                found += _compare("frames", *(_read(one) for one in places))[:100]
        elif any(one.exists() for one in places):
            found.append(Difference("frames", item.clip_id, "", *("yes" if one.exists() else "no" for one in places)))
    return found


def differences_csv(found: list[Difference]) -> str:
    """Return the differences as CSV."""
    rows = [("table", "row", "column", "first", "second", "second_minus_first")]
    rows += [(one.table, one.row, one.column, one.first, one.second, _step(one)) for one in found]
    return csv_text(rows)


def largest_steps(found: list[Difference]) -> dict[str, float]:
    """Return the largest size of numeric difference for each table and column."""
    steps: dict[str, float] = {}
    for one in found:
        step = _step(one)
        if step != "":
            name = f"{one.table}.{one.column}"
            steps[name] = max(steps.get(name, 0.0), abs(float(step)))
    return dict(sorted(steps.items()))


def _step(one: Difference) -> str:
    try:
        step = float(one.second) - float(one.first)
    except ValueError:
        return ""
    return f"{step:.6g}" if math.isfinite(step) else ""


def _read(path: Path) -> list[dict[str, Any]]:
    try:
        rows: list[dict[str, Any]] = pyarrow_parquet().read_table(path).to_pylist()
    except FileNotFoundError as error:
        raise UsageError(f"{path.parent} was not finished; finish it first with the same command.") from error
    return rows


def _compare(table: str, first: list[dict[str, Any]], second: list[dict[str, Any]]) -> list[Difference]:
    keys = _KEYS[table]
    a, b = ({"/".join(_text(row[key]) for key in keys): row for row in rows} for rows in (first, second))
    found: list[Difference] = []
    for key in [*a, *(key for key in b if key not in a)]:
        if key not in a or key not in b:
            found.append(Difference(table, key, "", "yes" if key in a else "no", "yes" if key in b else "no"))
            continue
        found += [Difference(table, key, *one) for one in _unequal(_cells(a[key]), _cells(b[key]))]
    return found


def _unequal(first: dict[str, str], second: dict[str, str]) -> list[tuple[str, str, str]]:
    names = [*first, *(name for name in second if name not in first)]
    return [
        (name, first.get(name, ""), second.get(name, ""))
        for name in names
        if first.get(name, "") != second.get(name, "")
    ]


def _cells(row: dict[str, Any]) -> dict[str, str]:
    return {name: _text(value) for name, value in row.items()}


def _text(value: Any) -> str:
    return "" if value is None else str(value)


def _flat(value: dict[str, Any], before: str = "") -> dict[str, str]:
    flat: dict[str, str] = {}
    for name, one in value.items():
        if isinstance(one, dict):
            flat |= _flat(one, f"{before}{name}.")
        else:
            flat[f"{before}{name}"] = _text(one)
    return flat
