"""Every error a user can meet, and the exit code it ends with.

::

    VisionRomError
    ├── UsageError               2    the command or call asks for something that does not exist
    ├── ClipError                3    the recording cannot be read
    │   ├── ClipMissing
    │   ├── ClipEmpty
    │   ├── NotAVideo
    │   ├── NoPicture
    │   └── ClipDamaged
    ├── NothingMeasurable        4    the recording was read, but no reading came of it
    ├── OutputError              5    a result could not be written, or the machine refused what it needs
    └── InstallationError        6    a library, a model file or a system package is missing or altered

130 is the code after Ctrl-C. A message is one sentence or two: what is wrong, where, and what to do about it.
"What could not be measured, and why" inside a readable recording is not an error: it travels as a value
(:class:`vision_rom.handover.Reading` with status ``not_measured``).
"""

from __future__ import annotations

import re

APT_LINE = "sudo apt-get install -y libgl1 libegl1 libgles2 libglib2.0-0"
EXIT_MEASURED = 0
EXIT_INTERRUPTED = 130


class VisionRomError(Exception):
    """Root of all errors that carry a sentence for the user."""

    exit_code = 1


class UsageError(VisionRomError):
    """An option or argument has a value that is not allowed."""

    exit_code = 2


class ClipError(VisionRomError):
    """The recording cannot be read."""

    exit_code = 3


class ClipMissing(ClipError):
    """No file at that path, or it may not be read."""


class ClipEmpty(ClipError):
    """The file has 0 bytes, or its video stream holds no picture."""


class NotAVideo(ClipError):
    """The file is no container that can be opened."""


class NoPicture(ClipError):
    """The container opens, but has no video stream."""


class ClipDamaged(ClipError):
    """The container is so damaged that not one picture can be decoded."""


class NothingMeasurable(VisionRomError):
    """The recording was read, but nothing in it can be measured."""

    exit_code = 4


class OutputError(VisionRomError):
    """A result could not be written; nothing half-written is left behind."""

    exit_code = 5


def refused_by_the_machine(error: BaseException) -> OutputError:
    """Return the user's error for one of the machine that nothing nearer to it turned into a sentence.

    Disk, memory, permission and database can refuse at any moment; whoever stands at the edge (command line, pages, background)
    catches what reaches it.
    """
    if isinstance(error, MemoryError):
        return OutputError(
            "The memory of this machine is not enough; close other programs, or cut the recording shorter."
        )
    if isinstance(error, OSError):
        where = f"'{error.filename}' cannot be used" if error.filename else "Something could not be read or written"
        return OutputError(f"{where}: {error.strerror or error}; free some space or look at the rights of the folders.")
    return OutputError(f"The records cannot be used: {error}; try again, and look at the disk and its rights.")


class InstallationError(VisionRomError):
    """A library, model file or system package is missing or is not the one expected."""

    exit_code = 6


def missing_library_sentence(error: ImportError | OSError) -> str:
    """Turn the loader's complaint into what is missing and the one line that mends it."""
    library = re.search(r"(lib[\w+.-]+\.so[\d.]*)", str(error))
    if library is None:
        missing = getattr(error, "name", None) or "of a library"
        return (
            f"The Python package {missing} cannot be loaded ({error}). "
            "Install vision-rom again: pip install --force-reinstall vision-rom"
        )
    return f"The system library {library.group(1)} is missing or damaged. On Debian or Ubuntu this line mends it: {APT_LINE}"
