"""``sheet_SIDE.jpg``: the key pictures of one reading beside each other, with angle and time, heads hidden."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision_rom.handover import Reading
from vision_rom.pain import ReadingPain
from vision_rom.readings import Measurement
from vision_rom.report.pictures import Frames, annotated_at, best_repetition, jpeg_of, middle_s, on_white

Picture = NDArray[np.uint8]

CELL_PX = (300, 400)
"""Width and height"""
CAPTION_PX = 30


@dataclass(frozen=True, slots=True)
class KeyPicture:
    """One picture of the sheet."""

    time_s: float
    caption: str
    angle_deg: float


def key_pictures(measurement: Measurement, reading: Reading, pain: ReadingPain | None) -> tuple[KeyPicture, ...]:
    """Return start, pain's onset and end, best held angle and return of the best repetition, in order of time."""
    best = best_repetition(reading)
    curve = measurement.curve_of(reading)
    if best is None or curve is None:
        return ()

    def angle(time_s: float) -> float:
        known = np.isfinite(curve.angle_deg)
        return float(np.interp(time_s, curve.time_s[known], curve.angle_deg[known]))

    moments = [(best.start_s, "start"), (middle_s(best), "best held"), (best.end_s, "back")]
    if pain is not None and pain.arc.repetitions:
        one = pain.arc.repetitions[reading.repetitions.index(best)]
        for phase in (one.raising, one.lowering):
            if phase is not None and phase.onset is not None:
                moments.append((phase.onset.time_s, "pain begins"))
            if phase is not None and phase.end is not None:
                moments.append((phase.end.time_s, "pain ends"))
    return tuple(KeyPicture(time, caption, angle(time)) for time, caption in sorted(moments))


def contact_sheet_jpeg(
    measurement: Measurement, reading: Reading, pain: ReadingPain | None, frames: Frames | None = None
) -> bytes | None:
    """Return the sheet as JPEG bytes without metadata; None where there is no picture to show.

    ``frames`` as in :func:`vision_rom.report.pictures.peak_jpeg`.
    """
    cells = [_cell(measurement, reading, key, frames) for key in key_pictures(measurement, reading, pain)]
    shown = [cell for cell in cells if cell is not None]
    if not shown:
        return None
    return jpeg_of(np.hstack(shown), quality=85)


def _cell(measurement: Measurement, reading: Reading, key: KeyPicture, frames: Frames | None) -> Picture | None:
    drawn = annotated_at(measurement, reading, key.time_s, angle_deg=key.angle_deg, frames=frames)
    if drawn is None:
        return None
    cell = on_white(drawn, CELL_PX, above_px=CAPTION_PX)
    caption = f"{key.caption}, {key.time_s:.1f} s"
    cv2.putText(cell, caption, (6, CAPTION_PX - 9), cv2.FONT_HERSHEY_SIMPLEX, 0.55, (20, 20, 20), 1, cv2.LINE_AA)
    return cell
