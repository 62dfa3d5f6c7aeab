"""A copy of a recording that every browser plays, with the very times of its pictures."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from vision_rom.clip import open_clip
from vision_rom.clip.reader import ClipReader
from vision_rom.handover import Clip

PROXY_NAME = "playable.mp4"
LONGEST_SIDE_PX = 1280


def plays_as_it_is(clip: Clip) -> bool:
    """Tell whether browsers play the recording itself, upright and from second 0 on, at the times that were measured.

    What is not sure counts as no: a copy costs some seconds, a line on the wrong picture costs trust.
    """
    import av

    if clip.path.suffix != ".mp4" or not clip.codec.lower().startswith("h264"):
        return False
    if clip.mirrored or clip.rotation_deg or clip.time_factor != 1.0 or max(clip.width_px, clip.height_px) > 1920:
        return False
    with av.open(str(clip.path)) as container:
        stream = container.streams.video[0]
        context = stream.codec_context
        return not stream.start_time and context.pix_fmt == "yuv420p"


def write_playable(
    source: Path,
    target: Path,
    *,
    mirrored: bool = False,
    time_factor: float = 1.0,
    rate_hz: float | None = None,
    on_progress: Callable[[float | None], None] = lambda share: None,
) -> None:
    """Write an upright H.264 copy at most 1280 pixels long, of the pictures that were measured, at their own times."""
    from vision_rom.synthetic.encode import write_clip

    def opened(progress: Callable[[float | None], None] | None) -> ClipReader:
        return open_clip(
            source, mirrored=mirrored, time_factor=time_factor, wanted_rate_hz=rate_hz, on_progress=progress
        )

    # times first: the encoder wants them all, and pictures must not be kept
    with opened(None) as reader:
        times_s = np.array([frame.time_s for frame in reader])
    with opened(on_progress) as reader:
        write_clip(target, _small(frame.rgb for frame in reader), times_s, preset="veryfast", crf=26)


def _small(pictures: Iterator[NDArray[np.uint8]]) -> Iterator[NDArray[np.uint8]]:
    for picture in pictures:
        height, width = picture.shape[:2]
        scale = min(1.0, LONGEST_SIDE_PX / max(height, width))
        size = (max(2, round(width * scale) // 2 * 2), max(2, round(height * scale) // 2 * 2))
        yield np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.uint8)
