"""How loud a recording is over time, and nothing else of its sound: no word can be heard from it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import av
import numpy as np

from vision_rom.clip.decoding import local_container
from vision_rom.clip.files import check_readable
from vision_rom.clip.structure import check_index
from vision_rom.handover import Floats

RATE_HZ = 16_000
STEP_S = 0.010


@dataclass(frozen=True, slots=True)
class Loudness:
    """Root mean square of the sound's first difference in steps of 10 ms; the difference takes away hum and breath."""

    start_s: float
    """Of the first step, since the recording's first picture, in recorded time"""
    step_s: float
    level: Floats
    """(n,) of full scale"""


def loudness_of(path: Path) -> Loudness | None:
    """Read a recording's loudness; None where it has no sound. A recording cut short is read as far as it goes.

    Raises
    ------
    ClipError
        The file is none, or its index would keep the decoder's library busy for minutes.

    """
    check_readable(path)
    check_index(path)
    step = round(STEP_S * RATE_HZ)
    levels: list[Floats] = []
    rest = np.zeros(0)
    last = 0.0
    try:
        with local_container(path) as container:
            if not container.streams.audio:
                return None
            audio = container.streams.audio[0]
            start_s = _start_s(audio) - (_start_s(container.streams.video[0]) if container.streams.video else 0.0)
            resampler = av.AudioResampler(format="flt", layout="mono", rate=RATE_HZ)
            for frame in container.decode(audio):
                for piece in resampler.resample(frame):
                    samples = piece.to_ndarray().ravel().astype(np.float64)
                    if not samples.size:
                        continue
                    bright = np.concatenate([rest, np.diff(samples, prepend=last)])
                    last = float(samples[-1])
                    whole = len(bright) // step * step
                    levels.append(np.sqrt(np.mean(bright[:whole].reshape(-1, step) ** 2, axis=1)))
                    rest = bright[whole:]
    except (av.FFmpegError, OSError):
        if not levels:
            return None
    return Loudness(start_s, STEP_S, np.concatenate(levels) if levels else np.zeros(0))


def _start_s(stream: av.stream.Stream) -> float:
    if stream.start_time is None or stream.time_base is None:
        return 0.0
    return float(stream.start_time * stream.time_base)
