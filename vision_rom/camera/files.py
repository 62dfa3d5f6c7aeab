"""Files are whole or absent."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from vision_rom.errors import OutputError


def write_whole(path: Path, content: bytes) -> None:
    """Write a file by way of a temporary one beside it; raise :class:`OutputError` and leave nothing on failure."""
    if not path.parent.is_dir():
        raise OutputError(f"'{path}' was not written: the folder '{path.parent}' does not exist; make it first.")
    temporary = None
    try:
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        # mkstemp makes the file private; a sheet or profile is as readable as any other file of the user
        umask = os.umask(0)
        os.umask(umask)
        os.chmod(temporary, 0o666 & ~umask)
        os.replace(temporary, path)
    except OSError as error:
        if temporary is not None and os.path.exists(temporary):
            os.unlink(temporary)
        raise OutputError(
            f"'{path}' was not written: {error.strerror or error}; choose another folder or free some space."
        ) from error
