"""Pictures to an H.264 clip with exact times, as phones write them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from numpy.typing import NDArray

from vision_rom.errors import OutputError, UsageError

TICKS_PER_S = 90_000
"""A common time scale of recordings, in which the steps of 24, 25, 30, 60 and 240 pictures a second are whole numbers."""

ROTATIONS_DEG = (0, 90, 180, 270)


def steady_times_s(count: int, rate_hz: float) -> NDArray[np.float64]:
    """Return times (count,) of pictures at a steady rate."""
    return np.arange(count) / rate_hz


def uneven_times_s(count: int, rate_hz: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Return times (count,) as phones give at a variable rate: steps that jitter by a tenth, and some pictures dropped."""
    steps = (1.0 + rng.uniform(-0.1, 0.1, count) + (rng.random(count) < 0.03)) / rate_hz
    ticks = np.round(np.concatenate([[0.0], np.cumsum(steps[:-1])]) * TICKS_PER_S) if count else np.zeros(0)
    return np.asarray(ticks / TICKS_PER_S)


def write_clip(
    path: Path,
    pictures: Iterable[NDArray[np.uint8]],
    times_s: Sequence[float] | NDArray[np.float64],
    *,
    crf: int = 23,
    rotation_deg: int = 0,
    preset: str = "medium",
) -> None:
    """Encode upright pictures (height, width, 3) of even size; the file appears only when it is complete.

    Args:
        path: where to; ends in ``.mp4`` or ``.mov``.
        pictures: as many as there are times.
        times_s: (n,) strictly increasing from 0 on; stored in steps of 1 / 90,000 s.
        crf: the encoder's constant rate factor, 0 (lossless) to 51 (worst).
        rotation_deg: store the pictures turned, with the note that a player must turn them clockwise by this.
        preset: the encoder's speed.

    Raises UsageError where an option, the times or a picture's size cannot be encoded, OutputError where the file cannot
    be written.
    """
    ticks = np.round(np.asarray(times_s, np.float64) * TICKS_PER_S).astype(np.int64)
    if len(ticks) == 0 or np.any(ticks < 0) or np.any(np.diff(ticks) <= 0):
        raise UsageError("A clip needs at least one picture and times that increase from 0 s on.")
    if rotation_deg not in ROTATIONS_DEG:
        raise UsageError(f"A clip's rotation is 0, 90, 180 or 270 degrees, not {rotation_deg}.")
    if not 0 <= crf <= 51:
        raise UsageError(f"The constant rate factor lies between 0 and 51, not at {crf}.")
    if path.suffix.lower() not in (".mp4", ".mov"):
        raise UsageError(f"A clip's name ends in .mp4 or .mov, unlike '{path.name}'.")
    if not path.parent.is_dir():
        raise OutputError(f"There is no folder '{path.parent}' to write '{path.name}' into.")
    partial = path.with_name(f".{path.stem}.partial{path.suffix}")
    try:
        _encode(partial, pictures, ticks, crf=crf, rotation_deg=rotation_deg, preset=preset)
        partial.replace(path)
    except OSError as error:
        raise OutputError(f"'{path}' cannot be written: {error.strerror or error}.") from error
    finally:
        partial.unlink(missing_ok=True)


def _encode(
    path: Path,
    pictures: Iterable[NDArray[np.uint8]],
    ticks: NDArray[np.int64],
    *,
    crf: int,
    rotation_deg: int,
    preset: str,
) -> None:
    usual = int(np.median(np.diff(ticks))) if len(ticks) > 1 else TICKS_PER_S // 30
    turns = rotation_deg // 90
    with av.open(str(path), "w", options={"video_track_timescale": str(TICKS_PER_S)}) as container:
        stream = container.add_stream("libx264", rate=Fraction(TICKS_PER_S, usual))
        stream.pix_fmt = "yuv420p"
        # no pictures from the future, as phones encode: decoding order is showing order; one thread, for many clips are
        # rendered side by side
        stream.options = {"crf": str(crf), "preset": preset, "bf": "0", "threads": "1"}
        stream.time_base = stream.codec_context.time_base = Fraction(1, TICKS_PER_S)
        context = stream.codec_context
        context.colorspace = context.color_primaries = context.color_trc = 1  # BT.709
        context.color_range = 1  # limited, as in television
        for count, (tick, picture) in enumerate(zip(ticks, pictures, strict=True)):
            stored = np.ascontiguousarray(np.rot90(picture, turns))
            if count == 0:
                stream.height, stream.width = stored.shape[:2]
                if stream.height % 2 or stream.width % 2:
                    raise UsageError(
                        f"A picture of {stream.width} x {stream.height} has an odd side; H.264 needs even ones."
                    )
                if turns:
                    stream.set_display_rotation(-rotation_deg)
            frame = av.VideoFrame.from_ndarray(stored, format="rgb24").reformat(
                format="yuv420p", dst_colorspace="ITU709", dst_color_range="MPEG"
            )
            frame.pts, frame.time_base = int(tick), Fraction(1, TICKS_PER_S)
            frame.duration = int(ticks[count + 1] - tick) if count + 1 < len(ticks) else usual
            for packet in stream.encode(frame):
                container.mux(packet)
        for packet in stream.encode(None):
            container.mux(packet)
