"""Left and right kept apart over time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision_rom.handover import Bools, Floats


@dataclass(frozen=True, slots=True)
class Sided:
    """Landmarks whose left and right keep their identity."""

    landmarks_px: Floats
    visibility: Floats
    world_m: Floats
    exchanged: Bools
    remarks: tuple[str, ...] = ()


def keep_sides(time_s: Floats, landmarks_px: Floats, visibility: Floats, world_m: Floats) -> Sided:
    return Sided(landmarks_px, visibility, world_m, np.zeros(len(time_s), np.bool_))
