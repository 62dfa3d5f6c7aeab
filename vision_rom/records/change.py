"""Whether a shoulder has changed between two visits, or only its measurement.

The threshold is the largest of three: the error of the difference (root of the sum of squares of both 95% half-widths), the
minimal detectable change of the same person measured twice where at least ten people were (MDC95 = 1.96 sqrt(2) SEM), and a floor:
10 degrees for raising and rotation, 8 for extension. The floor is our own choice; between two testers with an inclinometer the
minimal detectable change (MDC90) is 4 to 9 degrees (Kolber et al. 2011, Physiother Theory Pract 27:176-184).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from vision_rom.records.model import StoredReading

Verdict = Literal["changed beyond measurement error", "within measurement error", "cannot say"]

FLOOR_DEG = 10.0
FLOOR_EXTENSION_DEG = 8.0
FEWEST_PEOPLE = 10

_DIFFERS = {
    "network": "another pose network was used",
    "method": "another method was used",
    "view": "the camera stood at another side",
    "motion": "the arm was moved by somebody else",
    "definition": "the reading is defined otherwise",
}


@dataclass(frozen=True, slots=True)
class Change:
    """From one reading to a later one."""

    verdict: Verdict
    change_deg: float
    """Later minus earlier; NaN where one of them is missing"""
    threshold_deg: float
    """What a change must exceed; NaN where it cannot be said"""
    since: str
    """Date of the earlier reading"""
    warnings: tuple[str, ...] = ()


def change_between(earlier: StoredReading, later: StoredReading, *, repeatability_deg: float | None = None) -> Change:
    """Compare two readings of one movement and side of one person.

    ``repeatability_deg``: MDC95 from our own test and retest, None where fewer than ten people were measured twice.
    """
    since = earlier.visit_date
    if not (earlier.measured and later.measured):
        missing = "earlier" if not earlier.measured else "later"
        return Change("cannot say", math.nan, math.nan, since, (f"The {missing} visit has no reading that counts.",))
    change = later.held_deg - earlier.held_deg
    halves = [(one.interval95_deg[1] - one.interval95_deg[0]) / 2 for one in (earlier, later)]
    if not all(math.isfinite(half) for half in halves):
        return Change("cannot say", change, math.nan, since, ("One of the readings has no interval.",))
    floor = FLOOR_EXTENSION_DEG if later.movement == "extension" else FLOOR_DEG
    threshold = max(math.hypot(*halves), floor, repeatability_deg or 0.0)
    before, after = earlier.conditions, later.conditions
    differing = [name for name in _DIFFERS if before[name] != after[name]]
    warnings = tuple(
        f"The two visits cannot be compared as they are: {_DIFFERS[name]}; measure both recordings alike."
        for name in differing
    )
    if differing:
        return Change("cannot say", change, threshold, since, warnings)
    verdict: Verdict = "changed beyond measurement error" if abs(change) > threshold else "within measurement error"
    return Change(verdict, change, threshold, since)


def repeatability_mdc95_deg(pairs: Sequence[tuple[float, float]]) -> float | None:
    """Return the minimal detectable change from two readings of each of several unchanged people; None with fewer than ten.

    MDC95 = 1.96 sqrt(2) SEM, and SEM = sd(differences) / sqrt(2) (Weir 2005, J Strength Cond Res 19:231-240).
    """
    if len(pairs) < FEWEST_PEOPLE:
        return None
    differences = np.array([after - before for before, after in pairs])
    return float(1.96 * differences.std(ddof=1))
