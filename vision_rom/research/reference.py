"""Our readings and a reference side by side: which row belongs to which, and what is left over and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from vision_rom.errors import UsageError
from vision_rom.report.cells import plain_cell

KEYS = ("clip", "clip_id", "subject", "visit", "movement", "side", "repetition")
VALUES = ("held_deg", "peak_deg", "vertical_held_deg")
REFERENCE = "reference_deg"
READING = "reading_deg"
ALL = "all"


@dataclass(frozen=True, slots=True)
class Pairs:
    """Readings and reference values that belong together, and those that found no partner."""

    table: pd.DataFrame
    """Columns subject, visit, movement, side (as known), clip_id where known, reading_deg, reference_deg"""
    left_over: pd.DataFrame
    """Rows of the reference without a reading, with the column ``why``"""
    value: str
    """Which of our values it is; "reading_deg" where the file itself held both"""

    def groups(self) -> list[tuple[str, pd.DataFrame]]:
        """Return the pairs of each movement by name, then all together where there is more than one movement."""
        if "movement" not in self.table.columns:
            return [(ALL, self.table)]
        parts = [(str(name), part) for name, part in self.table.groupby("movement", sort=True)]
        return [*parts, (ALL, self.table)] if len(parts) > 1 else parts


def subjects_of(table: pd.DataFrame) -> list[str]:
    """Return whom each pair belongs to; every pair is another subject where nobody said."""
    if subjects_are_named(table):
        return [str(one) for one in table["subject"]]
    return [f"#{number}" for number in range(len(table))]


def subjects_are_named(table: pd.DataFrame) -> bool:
    """Whether every pair says whom it belongs to."""
    return "subject" in table.columns and bool((table["subject"] != "").all())


def conditions_of(table: pd.DataFrame) -> list[tuple[str, ...]] | None:
    """Return movement, side and visit of each pair: repeats of one subject under one of them measure the same value.

    None where nobody said which movement it was: then nothing is known to be a repeat.
    """
    names = [one for one in ("movement", "side", "visit") if one in table.columns]
    if "movement" not in names:
        return None
    return [tuple(str(cell) for cell in row) for row in table[names].itertuples(index=False)]


def read_pairs(reference: Path, run: Path | None = None, *, value: str = "held_deg") -> Pairs:
    """Return the pairs of a reference table and a run, or of a reference table that holds both columns.

    The reference is CSV with ``reference_deg`` and as many of ``clip``, ``clip_id``, ``subject``, ``visit``, ``movement``,
    ``side``, ``repetition`` as tell the readings apart. Without a run it also holds ``reading_deg``: any second rater
    or instrument.

    Raises
    ------
    UsageError
        A column that is missing or no number, a row of the reference that fits several readings, or no pair at all.

    """
    given = _read_csv(reference)
    if REFERENCE not in given.columns:
        raise UsageError(f"{reference} has no column {REFERENCE!r}, the angle that the reference gave.")
    given[REFERENCE] = _numbers(given, REFERENCE, reference)
    if run is None:
        return _from_one_file(given, reference)
    if value not in VALUES:
        raise UsageError(f"{value!r} cannot be compared; take one of {', '.join(VALUES)}.")
    ours = _read_csv(run / ("repetitions.csv" if "repetition" in given.columns else "readings.csv"))
    ours[value] = _numbers(ours, value, run)
    if "clip" in given.columns:
        names = _read_csv(run / "clips.csv")[["clip_id", "clip"]]
        ours = ours.merge(names, on="clip_id", how="left", validate="many_to_one")
    keys = [one for one in KEYS if one in given.columns and one in ours.columns]
    if not keys:
        raise UsageError(f"{reference} has none of the columns {', '.join(KEYS)}, so its rows fit no reading.")
    return _matched(given, ours, keys, value, reference, _unread(run))


def _unread(run: Path) -> dict[str, str]:
    """Return why recordings gave no reading at all, by clip and by clip_id."""
    failures = _read_csv(run / "failures.csv")
    failures = failures[failures["movement"] == ""]
    return dict(zip([*failures["clip"], *failures["clip_id"]], [*failures["reason"]] * 2, strict=True))


def _from_one_file(given: pd.DataFrame, reference: Path) -> Pairs:
    if READING not in given.columns:
        raise UsageError(f"{reference} has no column {READING!r}; add it, or name the run that measured with --run.")
    given[READING] = _numbers(given, READING, reference)
    known = given[[READING, REFERENCE]].notna().all(axis=1)
    left = given[~known].copy()
    left["why"] = "one of the two values is missing"
    return _checked(given[known].reset_index(drop=True), left, READING, reference)


def _matched(
    given: pd.DataFrame,
    ours: pd.DataFrame,
    keys: Sequence[str],
    value: str,
    reference: Path,
    unread: Mapping[str, str],
) -> Pairs:
    for one in keys:
        given[one], ours[one] = given[one].str.strip(), ours[one].str.strip()
    given = given.assign(_line=range(2, len(given) + 2))
    columns = [
        *dict.fromkeys([*keys, *(one for one in ("clip_id", "subject", "visit", "movement", "side") if one in ours)])
    ]
    if "status" in ours.columns:
        columns += ["status", "reason"]
    joined = given.merge(ours[[*columns, value]], on=list(keys), how="left", suffixes=("", "_of_run"), indicator=True)
    doubled = joined[joined["_line"].duplicated(keep=False)]
    if len(doubled):
        line = int(doubled["_line"].iloc[0])
        raise UsageError(
            f"{reference}, line {line} fits {int((doubled['_line'] == line).sum())} readings of the run; add a column that "
            f"tells them apart ({', '.join(one for one in KEYS if one not in keys)})."
        )
    left = joined[(joined["_merge"] != "both") | joined[value].isna() | joined[REFERENCE].isna()].copy()
    left["why"] = [_why(row, value, unread) for row in left.to_dict("records")]
    pairs = joined.drop(index=left.index).rename(columns={value: READING})
    return _checked(_tidy(pairs), _tidy(left.drop(columns=[value])), value, reference)


def _why(row: Mapping[Any, Any], value: str, unread: Mapping[str, str]) -> str:
    if row["_merge"] != "both":
        reason = unread.get(str(row.get("clip", ""))) or unread.get(str(row.get("clip_id", "")))
        return f"not read: {reason}" if reason else "no reading of the run fits"
    if pd.isna(row[REFERENCE]):
        return "the reference is missing"
    reason = row.get("reason")
    return f"not measured: {reason}" if isinstance(reason, str) and reason else f"the run has no {value}"


def _tidy(table: pd.DataFrame) -> pd.DataFrame:
    table = table.drop(columns=[one for one in ("_line", "_merge", "status", "reason") if one in table])
    return table.drop(columns=[one for one in table if str(one).endswith("_of_run")]).reset_index(drop=True)


def _checked(pairs: pd.DataFrame, left: pd.DataFrame, value: str, reference: Path) -> Pairs:
    if pairs.empty:
        why = f" ({left['why'].iloc[0]})" if len(left) else ""
        raise UsageError(f"{reference} has no row with both a reading and a reference{why}.")
    return Pairs(pairs, left.reset_index(drop=True), value)


def _read_csv(path: Path) -> pd.DataFrame:
    try:
        table = pd.read_csv(path, dtype=str, keep_default_na=False, skipinitialspace=True)
    except (OSError, ValueError) as error:
        raise UsageError(f"{path} cannot be read as a CSV table ({' '.join(str(error).split())}).") from error
    table.columns = [plain_cell(str(one).strip()) for one in table.columns]
    # our own tables have an apostrophe before what a spreadsheet would run, and people build references from them
    return table.map(plain_cell)


def _numbers(table: pd.DataFrame, column: str, path: Path) -> list[float]:
    """Return a column of text as numbers; an empty cell is NaN."""
    numbers = []
    for line, cell in enumerate(table[column], 2):
        try:
            numbers.append(float(cell) if str(cell).strip() else float("nan"))
        except ValueError:
            raise UsageError(f"{path}, line {line}: {column} is {cell!r}, which is no number.") from None
    return numbers
