"""Files and folders that are whole under their name, or not there: written under another name beside it, then renamed.

What a killed process left under such another name is removed by the next that writes to the same place. Each writer holds a lock
on what it writes, so that nothing is taken from one that still works; where a file system knows no locks, leftovers stay.
"""

from __future__ import annotations

import ctypes
import hashlib
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO, Final

PREFIX: Final = ".writing-"
_EXCHANGE: Final = 2
"""RENAME_EXCHANGE of renameat2(2)"""
_HERE: Final = -100
"""AT_FDCWD"""


@contextmanager
def whole_file(path: Path) -> Iterator[BinaryIO]:
    """Give a file to write to that appears as ``path`` when the block ends well and it is on the disk; else nothing stays.

    Raises OSError where it cannot be written.
    """
    with whole_path(path) as temporary, temporary.open("wb") as file:
        yield file


@contextmanager
def whole_path(path: Path) -> Iterator[Path]:
    """Give the name of an empty file to be filled, with the suffix of ``path``; as :func:`whole_file` for the rest."""
    remove_leftovers(path)
    temporary, lock = _made(path, folder=False)
    try:
        yield temporary
        # through a handle of our own: the writer's is closed, or was a library's
        with temporary.open("rb") as written:
            os.fsync(written.fileno())
        # the system makes temporary files private; this one is as readable as any other of the user
        temporary.chmod(0o666 & ~_umask())
        temporary.replace(path)
    except BaseException:
        # a disk that lets nothing be written may let nothing be removed: the first error is the one to tell
        with suppress(OSError):
            temporary.unlink(missing_ok=True)
        raise
    finally:
        _let_go(lock)


@contextmanager
def whole_folder(path: Path) -> Iterator[Path]:
    """Give an empty folder beside ``path`` whose content the caller puts in place; it is removed at the end, whatever happens.

    Where nothing may be made beside ``path``, or it lies on another disk than its parent, the folder lies inside it.
    """
    inside = path.is_dir() and (
        not os.access(path.parent, os.W_OK) or path.stat().st_dev != path.parent.stat().st_dev or path.is_mount()
    )
    target = path / path.name if inside else path
    remove_leftovers(target)
    temporary, lock = _made(target, folder=True)
    try:
        yield temporary
    finally:
        shutil.rmtree(temporary, ignore_errors=True)
        _let_go(lock)


def exchange(one: Path, other: Path) -> bool:
    """Exchange two folders in one step; False where the system cannot (it must be Linux, and not every network drive can)."""
    try:
        call = ctypes.CDLL(None, use_errno=True).renameat2
    except (OSError, AttributeError, TypeError):
        return False
    return bool(call(_HERE, os.fsencode(one), _HERE, os.fsencode(other), _EXCHANGE) == 0)


def remove_leftovers(path: Path) -> None:
    """Remove what processes that are gone left of writing to ``path``."""
    with suppress(OSError):
        for left in path.parent.glob(f"{_beginning(path)}*"):
            lock = _locked(left)
            if lock is None:
                continue
            if left.is_dir():
                shutil.rmtree(left, ignore_errors=True)
            else:
                left.unlink(missing_ok=True)
            _let_go(lock)


def _made(path: Path, *, folder: bool) -> tuple[Path, int | None]:
    """Return a new file or folder beside a path, and the lock on it (None where there are none)."""
    while True:
        if folder:
            temporary = Path(tempfile.mkdtemp(prefix=_beginning(path), dir=path.parent))
        else:
            handle, name = tempfile.mkstemp(prefix=_beginning(path), suffix=path.suffix, dir=path.parent)
            os.close(handle)
            temporary = Path(name)
        lock = _locked(temporary)
        # between making and locking another process may have taken it for a leftover
        if temporary.exists():
            return temporary, lock
        _let_go(lock)


def _beginning(path: Path) -> str:
    # the name itself may be as long as names can be
    return f"{PREFIX}{hashlib.sha256(os.fsencode(path.name)).hexdigest()[:12]}-"


def _locked(path: Path) -> int | None:
    """Return the handle of a lock that others respect; None where somebody has it, or there are no locks."""
    try:
        import fcntl
    except ImportError:
        return None
    try:
        handle = os.open(path, os.O_RDONLY)
    except OSError:
        return None
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(handle)
        return None
    return handle


def _let_go(lock: int | None) -> None:
    if lock is not None:
        os.close(lock)


def _umask() -> int:
    current = os.umask(0o022)
    os.umask(current)
    return current
