"""Where it hurts: timed marks, from whatever gave them, and the angles at which they began and ended."""

from __future__ import annotations

from vision_rom.pain.arc import PainfulArc, RepetitionPain, painful_arc
from vision_rom.pain.findings import Finding, at_angles, findings_of
from vision_rom.pain.hand_signal import hand_signal_marks
from vision_rom.pain.marks import PainMark, marks_from_text, marks_of_table
from vision_rom.pain.reaction import REACTIONS, Reaction
from vision_rom.pain.recorded import PainAsked, ReadingPain
from vision_rom.pain.sound_signal import sound_signal_marks, strokes_s

__all__ = [
    "REACTIONS",
    "Finding",
    "PainAsked",
    "PainMark",
    "PainfulArc",
    "Reaction",
    "ReadingPain",
    "RepetitionPain",
    "at_angles",
    "findings_of",
    "hand_signal_marks",
    "marks_from_text",
    "marks_of_table",
    "painful_arc",
    "sound_signal_marks",
    "strokes_s",
]
