"""Pain marks: when it hurt and how much, whoever said so."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from vision_rom.errors import UsageError

Source = Literal["typed", "table", "hand signal", "sound"]

WORST_SCORE = 10.0
_NUMBER = r"(\d+(?:\.\d*)?|\.\d+)"
_TYPED = re.compile(rf"^\s*{_NUMBER}(?:\s*-\s*{_NUMBER})?(?:\s*:\s*(-?{_NUMBER}))?\s*$")
_HOW = "write START-END:SCORE in seconds, such as 3.2-4.6:5, or one instant, such as 3.2:5; the score (0 to 10) may be left out"


@dataclass(frozen=True, slots=True)
class PainMark:
    """A span of the recording in which pain was signalled; an instant has equal ends."""

    start_s: float
    end_s: float
    score: float
    """0 to 10 on the numeric rating scale; NaN where it was not given"""
    source: Source


def marks_from_text(texts: Sequence[str], *, duration_s: float | None = None) -> tuple[PainMark, ...]:
    """Read typed marks such as ``3.2-4.6:5``.

    Raises
    ------
    UsageError
        A mark cannot be read, is reversed, lies outside the recording, overlaps another, or has no score of 0 to 10.

    """
    marks = []
    for text in texts:
        match = _TYPED.match(text)
        if match is None:
            raise UsageError(f"The pain mark '{text}' cannot be read; {_HOW}.")
        start, end, score = match.group(1), match.group(2), match.group(3)
        begin = float(start)
        marks.append(
            PainMark(begin, begin if end is None else float(end), math.nan if score is None else float(score), "typed")
        )
    return checked(marks, duration_s=duration_s)


def marks_of_table(rows: Iterable[Mapping[str, str]], *, duration_s: float | None = None) -> tuple[PainMark, ...]:
    """Read marks from rows with the columns ``start_s``, ``end_s`` and ``score``; the last two may be empty or missing.

    Raises
    ------
    UsageError
        As :func:`marks_from_text`, with the number of the row.

    """
    marks = []
    for number, row in enumerate(rows, 1):
        values = []
        for column in ("start_s", "end_s", "score"):
            cell = (row.get(column) or "").strip()
            try:
                values.append(float(cell) if cell else math.nan)
            except ValueError:
                raise UsageError(
                    f"Row {number} of the pain marks has '{cell}' for {column}, which is not a number."
                ) from None
        start, end, score = values
        if math.isnan(start):
            raise UsageError(f"Row {number} of the pain marks has no start_s; give seconds from the recording's start.")
        marks.append(PainMark(start, start if math.isnan(end) else end, score, "table"))
    return checked(marks, duration_s=duration_s)


def checked(marks: Sequence[PainMark], *, duration_s: float | None = None) -> tuple[PainMark, ...]:
    """Return the marks in order of time, or raise UsageError with the mark that is wrong and what is allowed."""
    for one in marks:
        name = in_words(one)
        if not (math.isfinite(one.start_s) and math.isfinite(one.end_s)):
            raise UsageError(f"The pain mark {name} has no time; {_HOW}.")
        if one.end_s < one.start_s:
            raise UsageError(f"The pain mark {name} ends before it starts; give the earlier time first.")
        if one.start_s < 0 or (duration_s is not None and one.end_s > duration_s):
            until = "" if duration_s is None else f", which lasts {duration_s:.1f} s"
            raise UsageError(f"The pain mark {name} lies outside the recording{until}.")
        if not math.isnan(one.score) and not 0 <= one.score <= WORST_SCORE:
            raise UsageError(f"The pain mark {name} has the score {one.score:g}; a score lies between 0 and 10.")
    ordered = sorted(marks, key=lambda one: (one.start_s, one.end_s))
    for before, after in pairwise(ordered):
        if after.start_s < before.end_s or (after.start_s == before.start_s):
            raise UsageError(f"The pain marks {in_words(before)} and {in_words(after)} overlap; make one of them.")
    return tuple(ordered)


def in_words(mark: PainMark) -> str:
    """Return a mark as it would be typed."""
    span = f"{mark.start_s:g}" if mark.start_s == mark.end_s else f"{mark.start_s:g}-{mark.end_s:g}"
    return span if math.isnan(mark.score) else f"{span}:{mark.score:g}"
