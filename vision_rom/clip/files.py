"""The recording as a file: is it there, is it readable, is it a recording at all, and what is its checksum.

Every way in which a file can be wrong ends in one sentence of :mod:`vision_rom.errors`.
"""

from __future__ import annotations

import hashlib
import os
import stat
from functools import lru_cache
from pathlib import Path
from typing import BinaryIO

from vision_rom.errors import ClipDamaged, ClipEmpty, ClipMissing, NotAVideo

_PIECE_BYTES = 1 << 20

# ISO/IEC 14496-12 boxes that may open a recording; QuickTime files may start without "ftyp"
_FIRST_BOXES = frozenset({b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip", b"pnot"})
# Brands of ISO/IEC 23008-12 (HEIF) and AVIF: a picture in the box structure of a recording
_PICTURE_BRANDS = frozenset({b"heic", b"heix", b"heim", b"heis", b"mif1", b"mif2", b"avif", b"jpeg"})
_PICTURE_STARTS = (b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"GIF87a", b"GIF89a", b"BM", b"II*\x00", b"MM\x00*")


def shown_name(path: Path) -> str:
    """Return the file's name as it may stand in a sentence: printable and not endless."""
    name = path.name or str(path)
    printable = "".join(sign if sign.isprintable() else "?" for sign in name)
    return printable if len(printable) <= 80 else f"{printable[:50]}…{printable[-25:]}"


def check_readable(path: Path) -> None:
    """Make sure that a recording can be there at all, before anything decodes it.

    Raises
    ------
    ClipMissing
        no regular file at that path, or it may not be read.
    ClipEmpty
        0 bytes.
    NotAVideo
        a picture file.
    ClipDamaged
        a recording whose index was never written.
    """
    name = shown_name(path)
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise ClipMissing(f"{name} is a folder; name one recording inside it.")
        if not stat.S_ISREG(status.st_mode):
            raise ClipMissing(f"{name} is no ordinary file; save the recording to disk and name that file.")
        if status.st_size == 0:
            raise ClipEmpty(f"{name} has 0 bytes: nothing was recorded or copied; copy it again from the phone.")
        with path.open("rb") as file:
            _check_content(file, name)
    except FileNotFoundError:
        raise ClipMissing(f"There is no file {name} in {shown_name(path.parent)}; check the path.") from None
    except PermissionError:
        raise ClipMissing(f"{name} may not be read; give this user the right to read it and its folder.") from None
    except (OSError, ValueError) as error:
        # ValueError: a path with a NUL character. OSError: too long a name, a loop of links, a failing disk
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise ClipMissing(f"{name} cannot be opened ({reason}); copy it to a short path and try again.") from None


def _check_content(file: BinaryIO, name: str) -> None:
    start = file.read(16)
    is_webp = start[:4] == b"RIFF" and start[8:12] == b"WEBP"
    is_heif = start[4:8] == b"ftyp" and start[8:12] in _PICTURE_BRANDS
    if start.startswith(_PICTURE_STARTS) or is_webp or is_heif:
        raise NotAVideo(f"{name} is a picture, not a recording; name the video file.")
    if start[4:8] in _FIRST_BOXES and not has_movie_box(file):
        raise ClipDamaged(
            f"{name} has no index (moov box): the recording was not finished or only part of it was copied; "
            "copy it again from the phone."
        )


def has_movie_box(file: BinaryIO) -> bool:
    """Say whether the top-level boxes (ISO/IEC 14496-12) of an open file include ``moov``.

    Only box headers are read. A box that reaches past the end of the file ends the search.
    """
    size = file.seek(0, os.SEEK_END)
    place = 0
    while place + 8 <= size:
        file.seek(place)
        header = file.read(16)
        length = int.from_bytes(header[:4], "big")
        if header[4:8] == b"moov":
            return True
        if length == 1:  # the true length follows in 64 bits
            length = int.from_bytes(header[8:16], "big")
        if length < 8:  # 0: up to the end of the file; less than a header: no box at all
            return False
        place += length
    return False


@lru_cache(maxsize=32)
def _sha256(path: Path, _size: int, _changed_ns: int) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while piece := file.read(_PIECE_BYTES):
            digest.update(piece)
    return digest.hexdigest()


def sha256_of(path: str | os.PathLike[str]) -> str:
    """SHA-256 of a file in hexadecimal; read once as long as its size and time of change stay the same.

    Raises
    ------
    ClipMissing
        the file is not there or may not be read.
    """
    place = Path(path)
    try:
        status = place.stat()
        return _sha256(place.absolute(), status.st_size, status.st_mtime_ns)
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise ClipMissing(f"{shown_name(place)} cannot be read ({reason}); check the path.") from None
