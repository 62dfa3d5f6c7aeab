"""Take out of H.264 and HEVC what is written between the pictures: supplemental enhancement information.

No decoder needs it, and it holds what nobody sees in the video: text of the encoder, captions, on some cameras place and device.
Byte layouts: ITU-T H.264 (7.3.1, table 7-1) and H.265 (7.3.1.2, table 7-1) for the units, ISO/IEC 14496-15 (5.3.3.1,
8.3.3.1) for the headers and lengths in MP4 and Matroska.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from av.packet import Packet

_SHORTEST_HEADER: Final = {"h264": 7, "hevc": 23}


@dataclass(frozen=True, slots=True)
class _Kinds:
    """Numbers of the units' kinds."""

    enhancement: tuple[int, ...]
    parameter_sets: tuple[int, ...]
    shift: int
    """Bits of a unit's first byte below its kind"""
    mask: int

    def of(self, first_byte: int) -> int:
        return first_byte >> self.shift & self.mask


KINDS: Final = {
    "h264": _Kinds(enhancement=(6,), parameter_sets=(7, 8, 13), shift=0, mask=0x1F),
    "hevc": _Kinds(enhancement=(39, 40), parameter_sets=(32, 33, 34), shift=1, mask=0x3F),
}


def cleaner(source: Any, copied: Any) -> Callable[[Packet[Any]], list[Packet[Any]]]:
    """Return what makes a packet of the stream ``source`` into those for ``copied``; other codecs' packets stay as they are.

    The header of ``copied`` is changed on the spot. Call it before the first packet is written.
    """
    from av.bitstream import BitStreamFilterContext

    codec = source.codec_context.name
    header = bytes(source.codec_context.extradata or b"")
    if codec not in KINDS:
        return lambda packet: [packet]
    if len(header) >= _SHORTEST_HEADER[codec] and header[0] == 1:
        if codec == "hevc":
            copied.codec_context.extradata = parameter_sets_alone(header)
        length_bytes = (header[4] if codec == "h264" else header[21]) % 4 + 1
        return lambda packet: [_cleaned(packet, KINDS[codec], length_bytes)]
    # units behind start codes, as in AVI: the container's writer makes the header anew from the parameter sets
    numbers = "|".join(map(str, KINDS[codec].enhancement))
    return BitStreamFilterContext(f"filter_units=remove_types={numbers}", source, copied).filter


def _cleaned(packet: Packet[Any], kinds: _Kinds, length_bytes: int) -> Packet[Any]:
    from av.packet import Packet

    if packet.size == 0:
        return packet
    content = bytes(packet)
    left = without_enhancement(content, kinds, length_bytes)
    if len(left) == len(content):
        return packet
    cleaned = Packet(left)
    cleaned.pts, cleaned.dts, cleaned.duration = packet.pts, packet.dts, packet.duration
    cleaned.time_base, cleaned.is_keyframe = packet.time_base, packet.is_keyframe
    cleaned.stream = packet.stream
    return cleaned


def without_enhancement(content: bytes, kinds: _Kinds, length_bytes: int) -> bytes:
    """Return a picture's units, each behind its length of ``length_bytes`` bytes, without supplemental enhancement information.

    From the first length that does not fit on, everything stays as it is: damage is the decoder's to judge.
    """
    kept, at = [], 0
    while at < len(content):
        begin = at + length_bytes
        end = begin + int.from_bytes(content[at:begin], "big")
        if not begin < end <= len(content):
            kept.append(content[at:])
            break
        if kinds.of(content[begin]) not in kinds.enhancement:
            kept.append(content[at:end])
        at = end
    return b"".join(kept)


def parameter_sets_alone(header: bytes) -> bytes:
    """Return an HEVC decoder configuration record with its parameter sets alone.

    A record that is cut short comes back as it is.
    """
    kept, at = [], _SHORTEST_HEADER["hevc"]
    for _ in range(header[22]):
        begin = at
        at += 3
        for _ in range(int.from_bytes(header[begin + 1 : begin + 3], "big")):
            at += 2 + int.from_bytes(header[at : at + 2], "big")
        if at > len(header):
            return header
        if header[begin] & 0x3F in KINDS["hevc"].parameter_sets:
            kept.append(header[begin:at])
    return header[:22] + bytes([len(kept)]) + b"".join(kept)
