"""Long arrays in a nameless file on the disk instead of in memory, so that memory does not grow with a recording's length.

An hour has a hundred thousand pictures, and each costs two kilobytes of landmarks and as much of curves. Arrays of that length lie in a
temporary file that is mapped into memory: NumPy sees an array like any other, and the system holds only what was touched last.
:func:`let_go` gives back what was touched. Short recordings stay in memory and never touch the disk.

The file has no name from its first byte on (where the system allows that; else it goes when it is closed), so that nothing of a patient
is found there after a kill, and the room is free again when the last array that lies in it is forgotten.
"""

from __future__ import annotations

import mmap
import os
import tempfile
import threading
import weakref
from collections.abc import Callable, Iterator
from dataclasses import fields, is_dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any, BinaryIO, Final, TypeVar

import numpy as np
from numpy.typing import DTypeLike, NDArray

LONG: Final = 4096
"""From so many rows on an array lies on the disk: two minutes at 30 pictures a second, some 8 MB of landmarks"""
ROWS: Final = 4096
"""Pictures that are worked on at a time, so that an hour's intermediate values need no more room than some minutes'"""
_STEP_BYTES: Final = 1 << 20

_Some = TypeVar("_Some")
_maps: weakref.WeakSet[mmap.mmap] = weakref.WeakSet()
_listed = threading.Lock()
"""Threads may measure side by side"""


def temporary_file() -> BinaryIO:
    """Return a nameless file for reading and writing, in the folder that the system has for large temporary files.

    Raises OSError where it cannot be made.
    """
    return tempfile.TemporaryFile(buffering=0, dir=_folder())


@lru_cache
def _folder() -> str | None:
    """Return where temporary files go: the folder for them may lie in memory, that for large ones does not."""
    large = Path("/var/tmp")
    if any(os.environ.get(name) for name in ("TMPDIR", "TEMP", "TMP")) or not os.access(large, os.W_OK):
        return None
    return str(large)


def empty(shape: tuple[int, ...], dtype: DTypeLike = np.float64) -> NDArray[Any]:
    """Return an array to be filled, which lies on the disk where it is long; in memory where that has no room.

    A long array has its columns one after the other (Fortran's order), so that reading one landmark touches that one alone.
    """
    kind = np.dtype(dtype)
    size = int(np.prod(shape)) * kind.itemsize
    if shape[0] < LONG or not size:
        return np.empty(shape, kind)
    try:
        with temporary_file() as file:
            # room that is not there would be a fault of the process later, not an error
            _reserve(file, size)
            mapping = mmap.mmap(file.fileno(), size)
    except (OSError, ValueError):
        return np.empty(shape, kind, order="F")
    with _listed:
        _maps.add(mapping)
    return np.frombuffer(mapping, kind).reshape(shape, order="F")


def _reserve(file: BinaryIO, size: int) -> None:
    if hasattr(os, "posix_fallocate"):
        os.posix_fallocate(file.fileno(), 0, size)
        return
    file.writelines(bytes(min(_STEP_BYTES, size - first)) for first in range(0, size, _STEP_BYTES))


def put_away(thing: _Some) -> _Some:
    """Return a dataclass whose long arrays, and those of the dataclasses in it, lie on the disk; everything else is the same."""
    there: _Some = _put_away(thing, {})
    return there


def _put_away(thing: Any, moved: dict[int, NDArray[Any]]) -> Any:
    # several of them may hold the same array, which then stays one
    if isinstance(thing, np.ndarray):
        if thing.ndim == 0 or len(thing) < LONG or thing.dtype.kind not in "biuf" or on_disk(thing):
            return thing
        if id(thing) not in moved:
            moved[id(thing)] = _copied(thing)
        return moved[id(thing)]
    if not is_dataclass(thing) or isinstance(thing, type):
        return thing
    new: dict[str, Any] = {}
    for one in fields(thing):
        old = getattr(thing, one.name)
        there = _put_away(old, moved)
        if there is not old:
            new[one.name] = there
    return replace(thing, **new) if new else thing


def _copied(values: NDArray[Any]) -> NDArray[Any]:
    there = empty(values.shape, values.dtype)
    for rows in blocks(len(values)):
        there[rows] = values[rows]
    return there


def on_disk(values: NDArray[Any]) -> bool:
    """Tell whether an array lies on the disk."""
    base: Any = values
    while isinstance(base, np.ndarray):
        base = base.base
    return isinstance(base.obj if isinstance(base, memoryview) else base, mmap.mmap)


def blocks(count: int, size: int = ROWS) -> Iterator[slice]:
    """Yield the rows of an array of so many, some at a time; what they touched on the disk is let go after each."""
    for first in range(0, count, size):
        yield slice(first, min(first + size, count))
        let_go()


def by_blocks(count: int, of_rows: Callable[[slice], NDArray[Any]]) -> NDArray[Any]:
    """Return (n, ...) what a function returns for some rows at a time, put together. ``count`` may be 0."""
    first = of_rows(slice(0, min(ROWS, count)))
    if count <= ROWS:
        return first
    whole = np.empty((count, *first.shape[1:]), first.dtype)
    whole[:ROWS] = first
    del first
    for rows in blocks(count):
        if rows.start:
            whole[rows] = of_rows(rows)
    return whole


def let_go() -> None:
    """Give memory back that holds what was read from the disk; it is read again when it is wanted again."""
    if hasattr(mmap, "MADV_DONTNEED"):
        with _listed:
            present = tuple(_maps)
        for one in present:
            one.madvise(mmap.MADV_DONTNEED)
