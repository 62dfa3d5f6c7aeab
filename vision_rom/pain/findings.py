"""What the examiner found besides angles: provocative tests, strength, inspection, palpation. Data, never a diagnosis."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal, get_args

import numpy as np

from vision_rom.errors import UsageError
from vision_rom.handover import SIDES, Side, SmoothCurve
from vision_rom.pain.marks import WORST_SCORE

Kind = Literal["provocative test", "strength", "inspection", "palpation"]
KINDS: tuple[Kind, ...] = get_args(Kind)
STRONGEST = 5
"""Grades 0 to 5 of the Medical Research Council, "Aids to the examination of the peripheral nervous system", 1976: 0 no
contraction, 1 flicker, 2 movement without gravity, 3 against gravity, 4 against resistance, 5 normal (from memory)."""
FIELDS = ("kind", "name", "side", "painful", "score", "grade", "text", "at_s")


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding."""

    kind: Kind
    name: str
    """Which test, muscle or place"""
    side: Side
    painful: bool | None = None
    """None where it was not said"""
    score: float = math.nan
    """0 to 10"""
    grade: int | None = None
    """Strength, 0 to 5"""
    text: str = ""
    at_s: float = math.nan
    """When it was done, in seconds of the recording"""
    movement: str = ""
    angle_deg: float = math.nan
    """At which angle of which movement it was done, where the recording shows it"""


def findings_of(rows: Sequence[Mapping[str, Any]]) -> tuple[Finding, ...]:
    """Check and return findings given as plain tables, such as those of a TOML file.

    Raises
    ------
    UsageError
        A finding lacks kind, name or side, or has a field or value that is not allowed; the number and the field are named.

    """
    return tuple(_finding(number, row) for number, row in enumerate(rows, 1))


def at_angles(findings: Sequence[Finding], curves: Sequence[SmoothCurve]) -> tuple[Finding, ...]:
    """Return the findings with the angle that the same side's curve had when each was done; others stay as they are."""
    return tuple(_at_angle(one, curves) for one in findings)


def _at_angle(finding: Finding, curves: Sequence[SmoothCurve]) -> Finding:
    curve = next((one for one in curves if one.source.side == finding.side), None)
    if curve is None or math.isnan(finding.at_s):
        return finding
    nearest = int(np.argmin(np.abs(curve.time_s - finding.at_s)))
    if abs(float(curve.time_s[nearest]) - finding.at_s) > 0.1 or not np.isfinite(curve.angle_deg[nearest]):
        return finding
    return replace(finding, movement=curve.source.movement, angle_deg=float(curve.angle_deg[nearest]))


def _finding(number: int, row: Mapping[str, Any]) -> Finding:
    def wrong(field: str, allowed: str) -> UsageError:
        return UsageError(f"Finding {number} has {field} = {row.get(field)!r}; {allowed}.")

    unknown = sorted(set(row) - set(FIELDS))
    if unknown:
        raise UsageError(f"Finding {number} has the field {unknown[0]!r}; allowed are {', '.join(FIELDS)}.")
    kind, name, side = row.get("kind"), row.get("name"), row.get("side")
    if kind not in KINDS:
        raise wrong("kind", f"it is one of {', '.join(KINDS)}")
    if not isinstance(name, str) or not name.strip():
        raise wrong("name", "name the test, the muscle or the place")
    if side not in SIDES:
        raise wrong("side", "it is left or right")
    painful, grade, text = row.get("painful"), row.get("grade"), row.get("text", "")
    if painful is not None and not isinstance(painful, bool):
        raise wrong("painful", "it is true or false, or left out")
    if grade is not None and (isinstance(grade, bool) or not isinstance(grade, int) or not 0 <= grade <= STRONGEST):
        raise wrong("grade", "a strength is graded 0 to 5")
    if not isinstance(text, str):
        raise wrong("text", "it is text")
    score, at_s = _number(row.get("score")), _number(row.get("at_s"))
    if score is None or not (math.isnan(score) or 0 <= score <= WORST_SCORE):
        raise wrong("score", "a score lies between 0 and 10")
    if at_s is None or at_s < 0 or math.isinf(at_s):
        raise wrong("at_s", "it is seconds from the recording's start")
    return Finding(kind, name.strip(), side, painful, score, grade, text, at_s)


def _number(value: object) -> float | None:
    if value is None:
        return math.nan
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        return float(value)
    except OverflowError:  # a whole number can be larger than every float
        return None
