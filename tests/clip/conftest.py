"""Small recordings made inside the tests, each picture carrying its own number."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import av
import numpy as np
import pytest

WIDTH_PX, HEIGHT_PX = 64, 48
CORNER_PX = 12
BITS = 10
CORNERS = {
    "top_left": (220, 30, 30),
    "top_right": (30, 200, 30),
    "bottom_left": (40, 40, 220),
    "bottom_right": (230, 230, 40),
}


def draw(number: int, width: int = WIDTH_PX, height: int = HEIGHT_PX) -> np.ndarray:
    """A grey picture with four coloured corners and, across its middle, its own number in black and white bits."""
    picture = np.full((height, width, 3), 110, np.uint8)
    side = CORNER_PX * height // HEIGHT_PX
    picture[:side, :side] = CORNERS["top_left"]
    picture[:side, -side:] = CORNERS["top_right"]
    picture[-side:, :side] = CORNERS["bottom_left"]
    picture[-side:, -side:] = CORNERS["bottom_right"]
    bit_px = width // BITS
    for bit in range(BITS):
        picture[height // 2 - height // 8 : height // 2 + height // 8, bit * bit_px : (bit + 1) * bit_px] = 255 * (
            number >> bit & 1
        )
    return picture


def read_number(picture: np.ndarray) -> int:
    """The number that :func:`draw` put into an upright, unmirrored picture."""
    height, width = picture.shape[:2]
    bit_px = width // BITS
    return sum((int(picture[height // 2, int((bit + 0.5) * bit_px)].mean()) > 128) << bit for bit in range(BITS))


def corner_names(picture: np.ndarray) -> tuple[str, str, str, str]:
    """Which of the four drawn corners is seen at top left, top right, bottom left and bottom right."""
    height, width = picture.shape[:2]
    inset = CORNER_PX // 3
    seen = [picture[y, x].astype(int) for y in (inset, height - 1 - inset) for x in (inset, width - 1 - inset)]
    names = [min(CORNERS, key=lambda name, colour=colour: np.abs(colour - CORNERS[name]).sum()) for colour in seen]
    return names[0], names[1], names[2], names[3]


Record = Callable[..., Path]


@pytest.fixture(scope="session")
def drawn() -> SimpleNamespace:
    """What the pictures of :func:`record` show and how to read it back."""
    return SimpleNamespace(draw=draw, read_number=read_number, corner_names=corner_names, size_px=(WIDTH_PX, HEIGHT_PX))


@pytest.fixture
def recopy(tmp_path: Path) -> Record:
    """A function that copies packets into another file without encoding them again."""

    def write(
        source: Path,
        name: str,
        *,
        shift_s: Fraction = Fraction(0),
        container_options: dict[str, str] | None = None,
        restamp: Callable[[int, av.Packet], None] | None = None,
    ) -> Path:
        path = tmp_path / name
        with av.open(source) as old, av.open(path, "w", options=container_options or {}) as new:
            stream = old.streams.video[0]
            copy = new.add_stream_from_template(stream)
            for number, packet in enumerate(old.demux(stream)):
                if packet.dts is None:
                    continue
                packet.stream = copy
                packet.pts += round(shift_s / packet.time_base)
                packet.dts += round(shift_s / packet.time_base)
                if restamp is not None:
                    restamp(number, packet)
                new.mux(packet)
        return path

    return write


@pytest.fixture
def record(tmp_path: Path) -> Record:
    """A function that writes a recording and returns its path."""

    def write(
        name: str = "clip.mp4",
        *,
        times_s: Sequence[float | Fraction] | None = None,
        pictures: int = 30,
        rate_hz: int = 30,
        codec: str = "libx264",
        pix_fmt: str = "yuv420p",
        size_px: tuple[int, int] = (WIDTH_PX, HEIGHT_PX),
        time_base: Fraction = Fraction(1, 90000),
        codec_options: dict[str, str] | None = None,
        container_options: dict[str, str] | None = None,
        display_matrix: Sequence[int] | None = None,
        tags: dict[str, Any] | None = None,
        paint: Callable[[int], Any] | None = None,
        with_sound: bool = False,
    ) -> Path:
        path = tmp_path / name
        times = [Fraction(k, rate_hz) for k in range(pictures)] if times_s is None else times_s
        with av.open(f"file:{path}", "w", options=container_options or {}) as container:
            stream = container.add_stream(codec, rate=rate_hz)
            stream.width, stream.height = size_px
            stream.pix_fmt = pix_fmt
            stream.options = codec_options or {}
            stream.codec_context.time_base = time_base
            for tag, value in (tags or {}).items():
                setattr(stream.codec_context, tag, value)
            if display_matrix is not None:
                stream.set_display_matrix(display_matrix)
            sound = container.add_stream("aac", rate=16000) if with_sound else None
            for number, time_s in enumerate(times):
                painted = draw(number, *size_px) if paint is None else paint(number)
                frame = painted if isinstance(painted, av.VideoFrame) else av.VideoFrame.from_ndarray(painted)
                frame = frame.reformat(format=pix_fmt)
                frame.pts, frame.time_base = round(time_s / time_base), time_base
                container.mux(stream.encode(frame))
            container.mux(stream.encode(None))
            if sound is not None:
                silence = np.zeros((1, 1024), np.float32)
                for block in range(16):
                    heard = av.AudioFrame.from_ndarray(silence, format="fltp", layout="mono")
                    heard.sample_rate, heard.pts, heard.time_base = 16000, 1024 * block, Fraction(1, 16000)
                    container.mux(sound.encode(heard))
                container.mux(sound.encode(None))
        return path

    return write
