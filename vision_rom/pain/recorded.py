"""What was recorded of pain, and what it came to for one reading: plain data."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, get_args

from vision_rom.pain.arc import PainfulArc
from vision_rom.pain.marks import Source

Signal = Literal["hand", "sound"]
SIGNALS: tuple[Signal, ...] = get_args(Signal)
ORDER: tuple[Source, ...] = ("typed", "table", "hand signal", "sound")
"""Which source counts where several have marks: what a person wrote comes before what was found."""


@dataclass(frozen=True, slots=True)
class PainAsked:
    """What was recorded of pain, and where to look for more."""

    typed: tuple[str, ...] = ()
    """Marks such as ``3.2-4.6:5``"""
    table: Path | None = None
    """CSV with ``start_s``, ``end_s``, ``score``"""
    signals: tuple[str, ...] = ()
    """Which of :data:`SIGNALS` to look for in the recording"""
    none: bool = False
    """Asked throughout, and it did not hurt"""
    at_rest: float = math.nan
    """Score before the first movement, 0 to 10"""
    stopped_because: str = ""
    """Why the patient or the examiner stopped"""

    @property
    def recorded(self) -> bool:
        """Whether anything of the movement's pain was recorded at all."""
        return bool(self.typed or self.table or self.signals or self.none)


@dataclass(frozen=True, slots=True)
class ReadingPain:
    """Pain of one reading, by the source that counts, and by the others to compare."""

    arc: PainfulArc
    compared: tuple[tuple[Source, PainfulArc], ...] = ()
    """Every source that has marks"""
    at_rest: float = math.nan
    stopped_because: str = ""
