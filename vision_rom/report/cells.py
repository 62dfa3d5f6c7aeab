"""Tables as CSV that a spreadsheet shows and never runs: one rule for every text cell, and one writer.

Spreadsheets take a cell that begins with one of ``= + - @``, or with a tab or a line break before one, for a formula, whoever wrote it:
a file name or a patient's code could then fetch an address or start a program on the reader's machine. Such a text gets an apostrophe
before it, which spreadsheets do not show; :func:`plain_cell` takes it away again, so that nothing is lost. Numbers stay as they are.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

# the wide forms are what East Asian keyboards give; some spreadsheets take them for the narrow ones
_FORMULA = re.compile(r"'*[=+\-@\t\r\n\uff1d\uff0b\uff0d\uff20]")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)


def safe_cell(text: str) -> str:
    """Return a text as it may stand in a table for spreadsheets."""
    return f"'{text}" if _is_formula(text) else text


def plain_cell(cell: str) -> str:
    """Return the text that :func:`safe_cell` made a cell of; any other text as it is."""
    return cell[1:] if cell.startswith("'") and _is_formula(cell[1:]) else cell


def _is_formula(text: str) -> bool:
    # with apostrophes of its own before the sign it is none, but would be read back as one
    return _FORMULA.match(text) is not None and _NUMBER.fullmatch(text) is None


def csv_text(rows: Iterable[Sequence[object]]) -> str:
    """Return rows as CSV: comma, quotes only where needed, a line feed after each row; None and NaN are empty."""
    return "".join(",".join(_written(cell) for cell in row) + "\n" for row in rows)


def csv_of_table(table: pd.DataFrame) -> str:
    """Return a table with its header as :func:`csv_text`."""
    rows: list[Sequence[object]] = [[str(name) for name in table.columns]]
    # through objects: a row of a mixed table would otherwise turn whole numbers into fractions
    rows += table.astype(object).to_numpy().tolist()
    return csv_text(rows)


def _written(cell: Any) -> str:
    if cell is None or (isinstance(cell, float) and math.isnan(cell)):
        return ""
    text = safe_cell(cell) if isinstance(cell, str) else str(cell)
    # a lone carriage return ends the row too for many readers, so it is quoted as well
    return '"' + text.replace('"', '""') + '"' if any(sign in text for sign in ',"\n\r') else text
