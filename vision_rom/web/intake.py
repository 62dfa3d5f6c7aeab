"""Look into a received file and copy its pictures and sound, without what the phone wrote beside them.

Run as a process of its own with limited memory and time, for a file from outside may be made to break whoever reads it::

    python -m vision_rom.web.intake RECEIVED KEPT

Exit code 0: KEPT is there. 3: the file is no recording, and stderr says why in one sentence. Place, device, date, titles, chapters,
attachments, data tracks and what H.264 and HEVC carry between the pictures (supplemental enhancement information: text of the
encoder, captions, on some cameras place and device) are left behind; pictures and sound are copied bit by bit with their times.
"""

from __future__ import annotations

import resource
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vision_rom.errors import ClipDamaged, ClipError, OutputError

if TYPE_CHECKING:
    from av.packet import Packet

MOST_MEMORY_BYTES = 4 << 30
LONGEST_S = 600
"""Of processor time: a copy of several GB takes less than a minute"""
LARGEST_SIDE_PX = 8192


def take_in(received: Path, kept: Path, *, timeout_s: float = LONGEST_S) -> None:
    """Copy a received file to ``kept`` (its suffix is chosen by :func:`suffix_of`) in a limited process.

    Raises
    ------
    ClipError
        The file is no recording that can be read; the sentence says why.

    """
    command = [sys.executable, "-m", "vision_rom.web.intake", str(received), str(kept)]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=timeout_s, check=False)
    except subprocess.TimeoutExpired:
        kept.unlink(missing_ok=True)
        raise ClipDamaged("The recording takes too long to open; record again, or convert it to MP4.") from None
    if done.returncode == 0:
        return
    kept.unlink(missing_ok=True)
    if done.returncode == ClipError.exit_code:
        raise ClipError(done.stderr.strip().splitlines()[-1])
    if "No space left" in done.stderr:
        raise OutputError("The disk is full; free some space and send the recording again.")
    raise ClipDamaged("The file cannot be read as a recording; send the original video of the phone.")


def suffix_of(received: Path) -> str:
    """Return ``.mov``, ``.mp4`` or ``.mkv`` by what the file itself says; its name and stated type are not trusted."""
    with received.open("rb") as file:
        start = file.read(12)
    if start[4:8] == b"ftyp":
        return ".mov" if start[8:12] == b"qt  " else ".mp4"
    return ".mov" if start[4:8] in (b"moov", b"mdat", b"wide", b"free", b"skip") else ".mkv"


_FORMATS = {".mov": "mov", ".mp4": "mp4", ".mkv": "matroska"}
ALLOWED = ("mov,mp4,m4a,3gp,3g2,mj2", "matroska,webm", "avi")
"""Containers of phones and browsers; a playlist or a page of links would make the reader open other files"""


def copy_without_remarks(received: Path, kept: Path) -> None:
    """Copy pictures and sound of a recording; raises ClipError where it is none."""
    import av
    import av.error

    from vision_rom.clip.files import check_readable
    from vision_rom.web.between_pictures import cleaner

    try:
        check_readable(received)
    except ClipError as error:
        # the name of a received file is our own and says nothing to whoever sent it
        raise ClipError(str(error).replace(f"'{received}'", "The file").replace(received.name, "The file")) from None
    if not _looks_like_a_container(received):
        raise ClipError("The file is no video of a phone or browser (MP4, MOV, WebM or AVI).")
    try:
        with av.open(f"file:{received}", metadata_errors="replace", options={"protocol_whitelist": "file"}) as old:
            if old.format.name not in ALLOWED:
                raise ClipError("The file is no video of a phone or browser (MP4, MOV, WebM or AVI).")
            pictures = next((one for one in old.streams.video if one.codec_context is not None), None)
            if pictures is None:
                raise ClipError("The file holds no moving pictures; send the video itself.")
            if max(pictures.width, pictures.height) > LARGEST_SIDE_PX or min(pictures.width, pictures.height) < 1:
                raise ClipError(f"Pictures of {pictures.width} x {pictures.height} pixels are not taken in.")
            number = pictures.index
            _decode_first(old, pictures)
        with av.open(f"file:{received}", metadata_errors="replace", options={"protocol_whitelist": "file"}) as old:
            sources = [old.streams[number], *old.streams.audio[:1]]
            # a picture must not come later because of the stamps below that lie before it
            options = {"avoid_negative_ts": "disabled"} if kept.suffix == ".mkv" else {}
            with av.open(f"file:{kept}", "w", format=_FORMATS[kept.suffix], options=options) as new:
                copies = {}
                for source in sources:
                    try:
                        copies[source.index] = new.add_stream_from_template(source)
                    except ValueError:
                        # a sound that the container cannot hold is left out; pictures always can
                        if source.type == "video":
                            raise
                        continue
                    copies[source.index].metadata.clear()
                cleaned = cleaner(old.streams[number], copies[number])
                for packet in _in_decoding_order(old.demux([one for one in sources if one.index in copies])):
                    source, copied = packet.stream, copies[packet.stream.index]
                    for one in cleaned(packet) if source.index == number else [packet]:
                        one.stream = copied
                        new.mux(one)
    except (av.error.FFmpegError, ValueError) as error:
        if isinstance(error, OSError) and error.errno == 28:
            raise OutputError("No space left on the disk.") from error
        raise ClipDamaged("The video is damaged or was not sent whole; send it again.") from error


def _in_decoding_order(packets: Iterator[Packet[Any]]) -> Iterator[Packet[Any]]:
    """Give every packet a decoding time: Matroska holds none, and the first ones, key picture included, come without."""
    waiting: dict[int, list[Packet[Any]]] = {}
    for packet in packets:
        before = waiting.setdefault(packet.stream.index, [])
        if packet.dts is None:
            if packet.pts is not None:
                before.append(packet)
            continue
        for number, one in enumerate(before):
            one.dts = packet.dts - len(before) + number
            yield one
        before.clear()
        yield packet
    for before in waiting.values():
        for one in before:
            one.dts = one.pts
            yield one


def _looks_like_a_container(path: Path) -> bool:
    with path.open("rb") as file:
        start = file.read(16)
    boxes = (b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip")
    return start[4:8] in boxes or start[:4] == b"\x1a\x45\xdf\xa3" or (start[:4] == b"RIFF" and start[8:12] == b"AVI ")


def _decode_first(container, stream) -> None:  # type: ignore[no-untyped-def]
    for _ in container.decode(stream):
        return
    raise ClipDamaged("Not one picture of the video can be read; send it again.")


def _limit() -> None:
    resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY_BYTES, MOST_MEMORY_BYTES))
    resource.setrlimit(resource.RLIMIT_CPU, (LONGEST_S, LONGEST_S))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def main(arguments: list[str]) -> int:
    """Copy one file within the limits."""
    _limit()
    received, kept = map(Path, arguments)
    try:
        copy_without_remarks(received, kept)
    except ClipError as error:
        sys.stderr.write(f"{error}\n")
        return ClipError.exit_code
    except OutputError as error:
        sys.stderr.write(f"{error}\n")
        return OutputError.exit_code
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
