"""Angle curves to repetitions: gaps, outliers, smoothing, holds, recognition; numpy and scipy alone."""

from __future__ import annotations

from vision_rom.motion.holds import HOLD_LENGTH_S, held_value
from vision_rom.motion.outliers import hampel_outliers
from vision_rom.motion.raises import RepetitionSettings
from vision_rom.motion.recognition import MovementChoice, choose_movement
from vision_rom.motion.repetitions import Dropped, RepetitionResult, repetitions, repetitions_between
from vision_rom.motion.smoothing import Smoothing, smooth

__all__ = [
    "HOLD_LENGTH_S",
    "Dropped",
    "MovementChoice",
    "RepetitionResult",
    "RepetitionSettings",
    "Smoothing",
    "choose_movement",
    "hampel_outliers",
    "held_value",
    "repetitions",
    "repetitions_between",
    "smooth",
]
