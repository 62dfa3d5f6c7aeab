"""The sound signal: a clap or a stroke on a bell when it begins to hurt, and another when it stops.

A stroke is a short burst that stands far above the loudness before it. Speech rises more slowly and less. Strokes are taken in
pairs, the first of a pair where it begins to hurt and the second where it stops; an odd last one is an instant.
"""

from __future__ import annotations

import numpy as np

from vision_rom.handover import Floats
from vision_rom.pain.marks import PainMark

FRAME_S = 0.010
BEFORE_S = 0.5
"""How long before a stroke the loudness is looked at"""
RISE_DB = 22.0
"""Over the usual loudness of the half second before, within 30 ms. Speech and a closing door rise by 10 to 20 (our own trial)."""
NEAR_LOUDEST_DB = 15.0
"""A stroke is not softer than the loudest one by more"""
APART_S = 0.35
"""Echo and the ringing of one stroke last no longer"""
QUIETEST = 1e-5


def strokes_s(samples: Floats, rate_hz: float) -> Floats:
    """Return the times (k,) of claps or strokes in a mono recording (n,) of -1 to 1."""
    step = max(int(FRAME_S * rate_hz), 1)
    count = len(samples) // step
    if count < 10:
        return np.zeros(0)
    # the first difference takes away hum, breath and footfalls
    bright = np.diff(samples[: count * step], prepend=samples[0])
    loud_db = 20 * np.log10(np.sqrt(np.mean(bright.reshape(count, step) ** 2, axis=1)) + QUIETEST)
    before = int(BEFORE_S / FRAME_S)
    found: list[tuple[float, float]] = []
    for index in range(3, count):
        # the quieter half of the time before, so that the stroke before does not hide this one
        usual = float(np.percentile(loud_db[max(0, index - before) : index - 1], 40)) if index > 2 else loud_db[0]
        if loud_db[index] - usual < RISE_DB or loud_db[index] - loud_db[index - 3] < RISE_DB / 2:
            continue
        time = index * step / rate_hz
        if not found or time - found[-1][0] > APART_S:
            found.append((time, float(loud_db[index : index + 4].max())))
    if not found:
        return np.zeros(0)
    loudest = max(level for _, level in found)
    return np.array([time for time, level in found if level >= loudest - NEAR_LOUDEST_DB])


def sound_signal_marks(samples: Floats, rate_hz: float, *, time_factor: float = 1.0) -> tuple[PainMark, ...]:
    """Return the marks of a recording's sound; ``time_factor`` real seconds a recorded one."""
    times = strokes_s(samples, rate_hz) * time_factor
    marks = []
    for first in range(0, len(times), 2):
        end = times[first + 1] if first + 1 < len(times) else times[first]
        marks.append(PainMark(float(times[first]), float(end), float("nan"), "sound"))
    return tuple(marks)
