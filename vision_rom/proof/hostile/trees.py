"""Where the parts of a container begin and end: boxes (ISO/IEC 14496-12), elements (EBML, RFC 8794), chunks (RIFF)."""

from __future__ import annotations

from dataclasses import dataclass

_BOXES_WITHIN = frozenset(b"moov trak mdia minf stbl edts dinf moof traf mvex udta".split())
# EBML IDs of the masters of RFC 9559: segment, seek head, info, tracks, track entry, video, cluster, block group, cues, cue point
_ELEMENTS_WITHIN = frozenset(
    {0x18538067, 0x114D9B74, 0x1549A966, 0x1654AE6B, 0xAE, 0xE0, 0x1F43B675, 0xA0, 0x1C53BB6B, 0xBB, 0xB7, 0x1A45DFA3}
)
_ELEMENTS_OF_PICTURES = frozenset({0xA3, 0xA1})
_CHUNKS_WITHIN = frozenset({b"RIFF", b"LIST"})


@dataclass(frozen=True, slots=True)
class Part:
    """One part; its head lies from ``start`` to ``body``."""

    kind: str
    start: int
    body: int
    end: int
    depth: int
    leaf: bool
    is_pictures: bool = False


def parts_of(content: bytes) -> list[Part]:
    """Return the parts of a whole container in the order of the file, parents before children."""
    found: list[Part] = []
    if content.startswith(b"\x1a\x45\xdf\xa3"):
        _elements(content, 0, len(content), 0, found)
    elif content.startswith(b"RIFF"):
        _chunks(content, 0, len(content), 0, found)
    else:
        _boxes(content, 0, len(content), 0, found)
    return found


def _boxes(content: bytes, start: int, end: int, depth: int, found: list[Part]) -> None:
    while start + 8 <= end:
        length, kind = int.from_bytes(content[start : start + 4], "big"), content[start + 4 : start + 8]
        stop = start + length
        if length < 8 or stop > end:
            return
        within = kind in _BOXES_WITHIN
        found.append(Part(kind.decode("latin-1"), start, start + 8, stop, depth, not within, kind == b"mdat"))
        if within:
            _boxes(content, start + 8, stop, depth + 1, found)
        start = stop


def _chunks(content: bytes, start: int, end: int, depth: int, found: list[Part]) -> None:
    while start + 8 <= end:
        kind, length = content[start : start + 4], int.from_bytes(content[start + 4 : start + 8], "little")
        stop = min(start + 8 + length + length % 2, end)
        within = kind in _CHUNKS_WITHIN
        found.append(Part(kind.decode("latin-1"), start, start + 8, stop, depth, not within, kind[2:] == b"dc"))
        if within:
            _chunks(content, start + 12, stop, depth + 1, found)
        start = stop


def _elements(content: bytes, start: int, end: int, depth: int, found: list[Part]) -> None:
    while start + 2 <= end:
        id_bytes = _leading(content[start])
        size_bytes = _leading(content[start + id_bytes]) if start + id_bytes < end else 9
        body = start + id_bytes + size_bytes
        if id_bytes > 4 or size_bytes > 8 or body > end:
            return
        number = int.from_bytes(content[start : start + id_bytes], "big")
        bits = 7 * size_bytes
        size = int.from_bytes(content[start + id_bytes : body], "big") & ((1 << bits) - 1)
        stop = end if size == (1 << bits) - 1 else body + size  # all ones: up to the end of what holds it
        if stop > end:
            return
        within = number in _ELEMENTS_WITHIN
        found.append(Part(f"{number:x}", start, body, stop, depth, not within, number in _ELEMENTS_OF_PICTURES))
        if within:
            _elements(content, body, stop, depth + 1, found)
        start = stop


def _leading(first: int) -> int:
    """Length in bytes that the first byte of an EBML number tells."""
    return 9 - first.bit_length() if first else 9
