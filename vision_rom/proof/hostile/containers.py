"""Small recordings as phones, cameras and browsers make them, and thousands of ways to break each. Numbers in, bytes out: no chance.

A broken file is named by the base it came from and what was done to it, so that one that failed can be made again.
"""

from __future__ import annotations

import random
import struct
import tempfile
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import cast

import av
import numpy as np
from av.packet import Packet
from av.video.stream import VideoStream

from vision_rom.proof.hostile.trees import Part, parts_of

WIDTH_PX, HEIGHT_PX = 64, 48
PICTURES = 24
RATE_HZ = 30
EXTREMES = (0, 1, 2, 0x7FFF_FFFF, 0x8000_0000, 0xFFFF_FFFF, 0x0001_0000, 0xFFFF)
_BASES: dict[str, tuple[str, str, str, dict[str, str]]] = {
    "mp4_h264": ("mp4", "libx264", "yuv420p", {}),
    "mp4_index_first": ("mp4", "libx264", "yuv420p", {"movflags": "faststart"}),
    "mp4_pieces": ("mp4", "libx264", "yuv420p", {"movflags": "frag_keyframe+empty_moov"}),
    "mp4_mpeg4": ("mp4", "mpeg4", "yuv420p", {}),
    "mov_mjpeg": ("mov", "mjpeg", "yuvj420p", {}),
    "webm_vp8": ("webm", "libvpx", "yuv420p", {}),
    "webm_vp9": ("webm", "libvpx-vp9", "yuv420p", {}),
    "mkv_h264": ("matroska", "libx264", "yuv420p", {}),
    "avi_mpeg4": ("avi", "mpeg4", "yuv420p", {}),
    "avi_mjpeg": ("avi", "mjpeg", "yuvj420p", {}),
}
BASES = tuple(_BASES)


@dataclass(frozen=True, slots=True)
class Broken:
    """A file that something was done to."""

    name: str
    base: str
    ending: str
    content: bytes
    pictures: int | None
    """How many pictures went into it; None where what was done makes that number meaningless"""


@lru_cache
def base(name: str) -> bytes:
    """Return one of :data:`BASES`, whole."""
    container, codec, pixels, options = _BASES[name]
    return recording(container, codec, pixels, container_options=options)


def recording(
    container: str,
    codec: str,
    pixels: str,
    *,
    size_px: tuple[int, int] = (WIDTH_PX, HEIGHT_PX),
    pictures: int = PICTURES,
    times: tuple[int, ...] | None = None,
    container_options: dict[str, str] | None = None,
    flat: bool = False,
) -> bytes:
    """Return a recording of a moving bar; ``times`` are stamps in 1/90000 s written over the packets' own."""
    with tempfile.TemporaryDirectory() as folder:
        # a real file: to put the index first, the writer opens it a second time
        path = Path(folder) / "whole"
        _record(path, container, codec, pixels, size_px, pictures, times, container_options, flat)
        return path.read_bytes()


def _record(
    path: Path,
    container: str,
    codec: str,
    pixels: str,
    size_px: tuple[int, int],
    pictures: int,
    times: tuple[int, ...] | None,
    container_options: dict[str, str] | None,
    flat: bool,
) -> None:
    width, height = size_px
    with av.open(str(path), "w", format=container, options=container_options or {}) as out:
        stream = cast(VideoStream, out.add_stream(codec, rate=RATE_HZ))
        stream.width, stream.height, stream.pix_fmt = width, height, pixels
        context = stream.codec_context
        context.options = {"g": "8", "threads": "1"} | (
            {"deadline": "realtime", "cpu-used": "8"} if "vpx" in codec else {}
        )
        packets: list[Packet[VideoStream]] = []
        for number in range(pictures):
            frame = av.VideoFrame.from_ndarray(_drawn(number, width, height, flat=flat), format="rgb24")
            frame.pts, frame.time_base = number, Fraction(1, RATE_HZ)
            packets += stream.encode(frame)
        packets += stream.encode(None)
        for number, packet in enumerate(packets):
            if times is not None:
                packet.time_base = Fraction(1, 90_000)
                packet.pts = packet.dts = times[number % len(times)]
            out.mux(packet)


def _drawn(number: int, width: int, height: int, *, flat: bool) -> np.ndarray:
    picture = np.full((height, width, 3), 110, np.uint8)
    if not flat:
        place = number * 2 % max(width - 8, 1)
        picture[:, place : place + 8] = (230, 200, 30)
    return picture


def broken_files(seed: int = 1) -> Iterator[Broken]:
    """Yield every broken file in a fixed order."""
    for name in BASES:
        whole = base(name)
        parts = parts_of(whole)
        yield _of(name, "nothing", whole)
        yield from _cut(name, whole, parts)
        yield from _flipped(name, whole, parts, seed)
        yield from _words_changed(name, whole, parts)
        yield from _parts_changed(name, whole, parts, seed)
    yield from _times_changed()
    yield from _swollen()


def _of(name: str, what: str, content: bytes, *, meaningful: bool = True) -> Broken:
    ending = name.partition("_")[0]
    return Broken(f"{name}: {what}", name, ending, content, PICTURES if meaningful else None)


def _cut(name: str, whole: bytes, parts: list[Part]) -> Iterator[Broken]:
    places = {edge + step for one in parts for edge in (one.start, one.body, one.end) for step in (-1, 0, 1, 4)}
    places |= {len(whole) * share // 40 for share in range(40)}
    # between two pieces a file looks like a recording that was stopped there, also with the zeros a length begins with
    ends = {one.end + step for one in parts if one.depth == 0 and one.is_pictures for step in range(4)}
    for place in sorted(places):
        if 0 <= place < len(whole):
            meaningful = not (name == "mp4_pieces" and place in ends)
            yield _of(name, f"cut at {place}", whole[:place], meaningful=meaningful)


def _flipped(name: str, whole: bytes, parts: list[Part], seed: int) -> Iterator[Broken]:
    dice = random.Random(f"{seed} {name}")
    heads = [place for one in parts for place in range(one.start, min(one.body + 64, one.end))] or [0]
    for number in range(140):
        changed = bytearray(whole)
        for _ in range((1, 1, 2, 8, 64)[number % 5]):
            place = dice.choice(heads) if number % 2 else dice.randrange(len(whole))
            changed[place] ^= 1 << dice.randrange(8)
        yield _of(name, f"bits flipped, number {number}", bytes(changed))


def _words_changed(name: str, whole: bytes, parts: list[Part]) -> Iterator[Broken]:
    """Every field of the header set to extremes in turn: dimensions, durations, counts, offsets, times, edit lists."""
    order = ">" if not whole.startswith(b"RIFF") else "<"
    number = 0
    for one in parts:
        if not one.leaf or one.is_pictures or one.end - one.body > 4096:
            continue
        for place in range(one.body, min(one.end - 3, one.body + 160), 4):
            # two of the extremes at each place, in turn, so that every kind of field meets all of them somewhere
            for step in range(2):
                value = EXTREMES[(number * 3 + step * 5) % len(EXTREMES)]
                changed = whole[:place] + struct.pack(f"{order}I", value) + whole[place + 4 :]
                if changed != whole:
                    yield _of(name, f"{one.kind} at {place} set to {value:#x}", changed)
            number += 1


def _parts_changed(name: str, whole: bytes, parts: list[Part], seed: int) -> Iterator[Broken]:
    dice = random.Random(f"{seed} parts {name}")
    for one in parts:
        yield _of(name, f"{one.kind} at {one.start} taken out", whole[: one.start] + whole[one.end :])
        yield _of(name, f"{one.kind} at {one.start} twice", whole[: one.end] + whole[one.start :])
        length = one.body - one.start
        for filled in (b"\x00", b"\xff"):
            yield _of(
                name,
                f"head of {one.kind} at {one.start} filled",
                whole[: one.start] + filled * length + whole[one.body :],
            )
        if one.leaf and not one.is_pictures:
            noise = dice.randbytes(one.end - one.body)
            yield _of(
                name, f"{one.kind} at {one.start} filled with noise", whole[: one.body] + noise + whole[one.end :]
            )
        other = dice.choice(parts)
        moved = whole[one.start : one.end]
        yield _of(
            name, f"{one.kind} at {one.start} put into {other.start}", whole[: other.body] + moved + whole[other.body :]
        )


def _times_changed() -> Iterator[Broken]:
    steps = tuple(3000 * number for number in range(PICTURES))
    series = {
        "negative": tuple(one - 90_000 for one in steps),
        "far off": tuple(one + (1 << 40) for one in steps),
        "at the end of 62 bits": tuple(one + (1 << 62) for one in steps),
        "one leap": (*steps[:12], *(one + (1 << 45) for one in steps[12:])),
        "one day apart": tuple(90_000 * 86_400 * number for number in range(PICTURES)),
        "growing twofold": tuple(3 << number for number in range(PICTURES)),
        "tick by tick": tuple(range(PICTURES)),
    }
    for container, codec in (
        ("mp4", "libx264"),
        ("mov", "mpeg4"),
        ("matroska", "libx264"),
        ("webm", "libvpx"),
        ("avi", "mpeg4"),
        ("mpegts", "libx264"),
    ):
        for what, times in series.items():
            try:
                content = recording(container, codec, "yuv420p", times=times)
            except (av.error.FFmpegError, OverflowError, ValueError):
                continue  # the writer refuses such times
            ending = {"matroska": "mkv", "mpegts": "ts"}.get(container, container)
            yield Broken(f"{ending}: times {what}", f"{ending}_times", ending, content, PICTURES)
    whole = base("mp4_h264")
    for what, entries in _edit_lists().items():
        yield _of("mp4_h264", f"edit list {what}", with_edit_list(whole, entries), meaningful=False)


def _edit_lists() -> dict[str, list[tuple[int, int, int]]]:
    most = 0x7FFF_FFFF
    return {
        "empty": [],
        "of nothing": [(0, 0, 0x10000)],
        "that starts late": [(800, 6000, 0x10000)],
        "after the end": [(800, most, 0x10000)],
        "negative": [(800, -2, 0x10000)],
        "empty for ever": [(most, -1, 0x10000), (800, 0, 0x10000)],
        "endless": [(most, 0, 0x10000)],
        "still": [(800, 0, 0)],
        "backwards": [(800, 0, -0x10000)],
        "of a thousand pieces": [(1, 512 * (one % 20), 0x10000) for one in range(1000)],
        "of a hundred thousand pieces": [(1, 512 * (one % 20), 0x10000) for one in range(100_000)],
        "repeating the whole 500 times": [(800, 0, 0x10000)] * 500,
    }


def box(kind: bytes, body: bytes) -> bytes:
    """Return a box of ISO/IEC 14496-12."""
    return struct.pack(">I", len(body) + 8) + kind + body


def with_edit_list(whole: bytes, entries: list[tuple[int, int, int]]) -> bytes:
    """Return an MP4 whose index comes last with another edit list in its first track."""
    body = struct.pack(">II", 0, len(entries)) + b"".join(struct.pack(">iii", *one) for one in entries)
    return _track_changed(whole, lambda inner: inner + box(b"edts", box(b"elst", body)), without=b"edts")


def _track_changed(whole: bytes, change: Callable[[bytes], bytes], *, without: bytes = b"") -> bytes:
    moov = next(one for one in parts_of(whole) if one.kind == "moov")
    rebuilt = b""
    for child in parts_of(whole):
        if child.depth != 1 or not moov.start < child.start < moov.end:
            continue
        content = whole[child.start : child.end]
        if child.kind == "trak":
            inner = b"".join(
                whole[one.start : one.end]
                for one in parts_of(whole)
                if one.depth == 2 and child.start < one.start < child.end and one.kind.encode() != without
            )
            content = box(b"trak", change(inner))
        rebuilt += content
    return whole[: moov.start] + box(b"moov", rebuilt) + whole[moov.end :]


def _swollen() -> Iterator[Broken]:
    """Little files that want much: streams by the thousand, compressed indexes, pictures that unpack to gigabytes."""
    whole = base("mp4_h264")
    parts = parts_of(whole)
    moov = next(one for one in parts if one.kind == "moov")
    track = next(one for one in parts if one.kind == "trak")
    one_track = whole[track.start : track.end]
    for count in (100, 1000, 5000, 20_000):
        index = box(b"moov", whole[moov.body : moov.end] + one_track * count)
        yield _of(
            "mp4_h264", f"{count} more streams", whole[: moov.start] + index + whole[moov.end :], meaningful=False
        )
    index = whole[moov.start : moov.end]
    for declared in (len(index), 0x7FFF_FFFF, 0xFFFF_FFFF, 1 << 30):
        squeezed = zlib.compress(index if declared == len(index) else b"\0" * (1 << 28))
        packed = box(b"cmov", box(b"dcom", b"zlib") + box(b"cmvd", struct.pack(">I", declared) + squeezed))
        yield _of(
            "mp4_h264",
            f"index squeezed, {declared} bytes declared",
            whole[: moov.start] + box(b"moov", packed),
            meaningful=False,
        )
    for depth in (50, 5000, 100_000):
        nested = b""
        for _ in range(depth):
            nested = struct.pack(">I", min(len(nested) + 8, 0x7FFF_FFFF)) + b"moov" + nested if depth < 1000 else nested
        if depth >= 1000:
            nested = b"".join(struct.pack(">I", 8 * (depth - one)) + b"trak" for one in range(depth))
        yield _of(
            "mp4_h264", f"{depth} boxes in each other", whole[: moov.start] + box(b"moov", nested), meaningful=False
        )
    for codec, container, ending in (("mpeg4", "avi", "avi"), ("libx264", "mp4", "mp4"), ("mjpeg", "mov", "mov")):
        pixels = "yuvj420p" if codec == "mjpeg" else "yuv420p"
        for size in ((4096, 4096), (8000, 8000)):
            if codec == "libx264" and size[0] > 4096:
                continue  # an encoder of this size alone takes over a gigabyte
            content = recording(container, codec, pixels, size_px=size, pictures=3, flat=True)
            yield Broken(f"{ending}: {size[0]} x {size[1]} px, flat", f"{ending}_bomb", ending, content, 3)
    small, large = (
        recording("mpegts", "mpeg2video", "yuv420p", size_px=size, pictures=6, flat=True)
        for size in ((64, 48), (4000, 4000))
    )
    yield Broken("ts: small, then large", "ts_bomb", "ts", small + large, None)
    yield Broken("ts: large, then small", "ts_bomb", "ts", large + small, None)
    yield Broken("ts: the same again fifty times", "ts_bomb", "ts", small * 50, None)
