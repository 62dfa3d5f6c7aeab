"""What the outermost parts of a container tell before anything is decoded: is the file whole, and does its index ask too much.

Boxes of ISO/IEC 14496-12 (MP4, MOV), elements of EBML (RFC 8794: WebM, MKV), chunks of RIFF (AVI). Only heads are read. A file of
another kind tells nothing here. FFmpeg reads on past a broken or missing part without a word, so this is where it is noticed.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from vision_rom.clip.files import shown_name
from vision_rom.errors import ClipError

MOST_EDITS = 200
"""Entries of an edit list. A trimmed recording has fewer than ten; FFmpeg looks through all pictures for each, so that a file
of 1 MB with 100,000 of them kept it busy for over half a minute."""
_MOST_PARTS = 1_000_000
_PADDING_BYTES = 1 << 20
_EBML, _SEGMENT, _CLUSTER = 0x1A45DFA3, 0x18538067, 0x1F43B675


@dataclass(frozen=True, slots=True)
class Soundness:
    """What is wrong with a file's outermost parts."""

    missing_bytes: int = 0
    """By which the file is shorter than its parts say"""
    broken: bool = False
    """Something that is no part stands between or within the parts"""
    pictures: int | None = None
    """How many the pieces of a recording in pieces (movie fragments) count; None elsewhere"""


def check_index(path: Path) -> None:
    """Refuse an index that would keep the decoder's library busy for minutes.

    Raises
    ------
    ClipError
        The index is compressed, or has an edit list of more than :data:`MOST_EDITS` entries.

    """
    with path.open("rb") as file:
        size = file.seek(0, os.SEEK_END)
        for kind, body, end in _boxes(file, 0, size):
            if kind != b"moov":
                continue
            for path_of_kinds, inner in _inside(file, body, min(end, size), ()):
                if path_of_kinds[-1] == b"cmov":
                    raise ClipError(
                        f"{shown_name(path)} has a compressed index, which no phone writes and which can unpack to any "
                        "size; export it as MP4."
                    )
                if path_of_kinds[-1] == b"elst":
                    file.seek(inner + 4)
                    entries = int.from_bytes(file.read(4), "big")
                    if entries > MOST_EDITS:
                        raise ClipError(
                            f"{shown_name(path)} is put together from {entries} pieces by its edit list (up to {MOST_EDITS} "
                            "are read); export it as a new MP4."
                        )


def soundness_of(path: Path, track: int) -> Soundness:
    """Return what is wrong with the outermost parts of a recording whose pictures are in a track of that number."""
    with path.open("rb") as file:
        size = file.seek(0, os.SEEK_END)
        file.seek(0)
        start = file.read(12)
        if start.startswith(_EBML.to_bytes(4, "big")):
            return Soundness(missing_bytes=max(0, _end_of_elements(file, 0, size) - size))
        if start.startswith(b"RIFF"):
            # 0 or all ones: the recorder was stopped before it knew
            length = int.from_bytes(start[4:8], "little")
            return Soundness(missing_bytes=max(0, length + 8 - size) if 0 < length < 0xFFFF_FFFF else 0)
        return _of_boxes(file, size, track)


def _of_boxes(file: BinaryIO, size: int, track: int) -> Soundness:
    reached, pictures, broken, in_pieces = 0, 0, False, False
    for kind, body, end in _boxes(file, 0, size):
        reached = end
        if kind == b"moof" and end <= size:
            in_pieces = True
            counted = _pictures_of_piece(file, body, end, track)
            broken |= counted is None
            pictures += counted or 0
    if not in_pieces:
        # here the index knows every picture, and some cameras write what they like behind the last box
        return Soundness(max(0, reached - size))
    broken |= reached < size and not _is_padding(file, reached, size)
    return Soundness(max(0, reached - size), broken, pictures)


def _pictures_of_piece(file: BinaryIO, start: int, end: int, track: int) -> int | None:
    """Return how many pictures of a track a movie fragment counts; None where its boxes do not fill it."""
    pictures = 0
    reached = start
    for kind, body, stop in _boxes(file, start, end):
        reached = stop
        if kind != b"traf":
            continue
        inner_reached, here = body, -1
        for inner, inner_body, inner_stop in _boxes(file, body, min(stop, end)):
            inner_reached = inner_stop
            file.seek(inner_body + 4)
            number = int.from_bytes(file.read(4), "big")
            if inner == b"tfhd":
                here = number
            elif inner == b"trun" and here == track:
                pictures += number
        if inner_reached != stop or here == -1:
            return None
    return pictures if reached == end else None


def _is_padding(file: BinaryIO, start: int, end: int) -> bool:
    file.seek(start)
    return end - start <= _PADDING_BYTES and not any(file.read(end - start))


def _boxes(file: BinaryIO, start: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    """Yield kind, start of the content and end of each box; what is no box ends it."""
    for _ in range(_MOST_PARTS):
        file.seek(start)
        head = file.read(16)
        if start + 8 > end or len(head) < 8:
            return
        length, kind, body = int.from_bytes(head[:4], "big"), head[4:8], start + 8
        if length == 1:  # the true length follows in 64 bits
            length, body = int.from_bytes(head[8:16], "big"), start + 16
        stop = end if length == 0 else start + length
        if stop < body or not all(0x20 <= sign < 0x7F or sign == 0xA9 for sign in kind):
            return
        yield kind, body, stop
        start = stop


def _inside(file: BinaryIO, start: int, end: int, above: tuple[bytes, ...]) -> Iterator[tuple[tuple[bytes, ...], int]]:
    """Yield the kinds from the index down to each box within it that matters here, and where its content starts."""
    for kind, body, stop in _boxes(file, start, end):
        here = (*above, kind)
        if kind in (b"cmov", b"elst"):
            yield here, body
        elif kind in (b"trak", b"edts") and len(above) < 3:
            yield from _inside(file, body, min(stop, end), here)


def _end_of_elements(file: BinaryIO, start: int, size: int) -> int:
    """Return where the last element that knows its length ends, looking into those that do not."""
    reached = start
    for _ in range(_MOST_PARTS):
        file.seek(start)
        head = file.read(12)
        id_bytes = _leading(head[0]) if head else 9
        size_bytes = _leading(head[id_bytes]) if id_bytes <= 4 and len(head) > id_bytes else 9
        if size_bytes > 8 or len(head) < id_bytes + size_bytes:
            return reached
        number = int.from_bytes(head[:id_bytes], "big")
        bits = 7 * size_bytes
        length = int.from_bytes(head[id_bytes : id_bytes + size_bytes], "big") & ((1 << bits) - 1)
        body = start + id_bytes + size_bytes
        if length == (1 << bits) - 1:  # not known when it was begun, as in what a browser records
            if number not in (_SEGMENT, _CLUSTER):
                return reached
            start = body
            continue
        reached = max(reached, body + length)
        if reached >= size:
            return reached
        start = body + length
    return reached


def _leading(first: int) -> int:
    """Length in bytes that the first byte of an EBML number tells; 9 where it tells none."""
    return 9 - first.bit_length() if first else 9
