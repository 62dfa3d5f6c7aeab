"""Files are whole or absent."""

from __future__ import annotations

from pathlib import Path

from vision_rom.errors import OutputError
from vision_rom.whole_files import whole_file


def write_whole(path: Path, content: bytes) -> None:
    """Write a file by way of a temporary one beside it; raise :class:`OutputError` and leave nothing on failure."""
    if not path.parent.is_dir():
        raise OutputError(f"'{path}' was not written: the folder '{path.parent}' does not exist; make it first.")
    try:
        with whole_file(path) as file:
            file.write(content)
    except OSError as error:
        raise OutputError(
            f"'{path}' was not written: {error.strerror or error}; choose another folder or free some space."
        ) from error
