"""The sound signal: a clap or a stroke on a bell when it begins to hurt, and another when it stops.

A stroke is a short burst that stands far above the loudness before it; speech rises more slowly and less. Strokes are taken in
pairs, the first of a pair where it begins to hurt and the second where it stops; an odd last one is an instant.
"""

from __future__ import annotations

import numpy as np

from vision_rom.handover import Floats
from vision_rom.pain.marks import PainMark

BEFORE_S = 0.5
"""How long before a stroke the loudness is looked at"""
ATTACK_S = 0.03
RISE_DB = 22.0
"""Over the usual loudness of the half second before, half of it within 30 ms. Our own choice, no source."""
NEAR_LOUDEST_DB = 15.0
"""A stroke is not softer than the loudest one by more"""
APART_S = 0.35
"""Echo and the ringing of one stroke last no longer"""
QUIETEST = 1e-5


def strokes_s(level: Floats, step_s: float) -> Floats:
    """Return the times (k,) of claps or strokes after the first step of a loudness (n,)."""
    loud_db = 20 * np.log10(np.asarray(level) + QUIETEST)
    before, attack = round(BEFORE_S / step_s), max(round(ATTACK_S / step_s), 1)
    found: list[tuple[float, float]] = []
    for index in range(attack, len(loud_db)):
        # the quieter part of the time before, so that the stroke before does not hide this one
        usual = float(np.percentile(loud_db[max(0, index - before) : max(index - attack + 1, 1)], 40))
        if loud_db[index] - usual < RISE_DB or loud_db[index] - loud_db[index - attack] < RISE_DB / 2:
            continue
        time = index * step_s
        if not found or time - found[-1][0] > APART_S:
            found.append((time, float(loud_db[index : index + attack + 1].max())))
    if not found:
        return np.zeros(0)
    loudest = max(loudness for _, loudness in found)
    return np.array([time for time, loudness in found if loudness >= loudest - NEAR_LOUDEST_DB])


def sound_signal_marks(times_s: Floats) -> tuple[PainMark, ...]:
    """Return the marks that strokes at these times (k,) mean, in seconds of the recording."""
    marks = []
    for first in range(0, len(times_s), 2):
        end = times_s[first + 1] if first + 1 < len(times_s) else times_s[first]
        marks.append(PainMark(float(times_s[first]), float(end), float("nan"), "sound"))
    return tuple(marks)
