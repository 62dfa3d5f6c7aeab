"""Text that others wrote, as JSON or TOML: plain values that every later step can hold, or one error.

The readers of the language let through what breaks something later: whole numbers beyond every machine number, NaN, halves of
surrogate pairs that no file can hold, nesting that ends any recursion. They also end in different errors. Here all of it ends in
:class:`NotPlain`, whose text says what and, where it is known, the place.
"""

from __future__ import annotations

import json
import math
import tomllib
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

from vision_rom.errors import UsageError

DEEPEST = 64
"""Levels of lists and tables; our own files have fewer than ten"""
_LARGEST = 2**63


class NotPlain(ValueError):
    """The text is not of its form, or holds what no later step can hold."""


def json_of(text: str | bytes, *, finite: bool = True) -> Any:
    """Return the values of a JSON text.

    Parameters
    ----------
    text
        The text, or its bytes in UTF-8.
    finite
        Refuse NaN and infinities, which JSON does not have and many write.

    Raises
    ------
    NotPlain
        With what is wrong.

    """
    return _values(json.loads, text, finite=finite)


def json_in(path: Path, what: str) -> Any:
    """Return the values of a JSON file; ``what`` it is stands in the sentence where it cannot be read.

    Raises
    ------
    UsageError
        The file cannot be read, or is no JSON text.

    """
    try:
        return json_of(path.read_bytes())
    except OSError as error:
        raise UsageError(f"The {what} '{path}' cannot be read: {error.strerror or error}.") from error
    except NotPlain as error:
        raise UsageError(f"The {what} '{path}' is no JSON text: {error}.") from error


def toml_of(text: str | bytes, *, finite: bool = False) -> dict[str, Any]:
    """Return the table of a TOML text; NaN and infinities are words of TOML and pass unless ``finite``.

    Raises
    ------
    NotPlain
        With what is wrong.

    """
    table: dict[str, Any] = _values(tomllib.loads, text, finite=finite)
    return table


def _values(loads: Callable[[str], Any], text: str | bytes, *, finite: bool) -> Any:
    try:
        values = loads(_decoded(text))
    except RecursionError:
        raise NotPlain(f"it is nested more than {DEEPEST} levels deep") from None
    except ValueError as error:
        raise NotPlain(str(error)) from None
    _check(values, finite=finite)
    return values


def _decoded(text: str | bytes) -> str:
    return text if isinstance(text, str) else text.decode("utf-8")


def _check(values: Any, *, finite: bool) -> None:
    level: list[Any] = [values]
    for _ in range(DEEPEST):
        below: list[Any] = []
        for value in level:
            if isinstance(value, dict):
                _check_scalars(value, finite=finite)
                below += value.values()
            elif isinstance(value, list):
                below += value
            else:
                _check_scalars((value,), finite=finite)
        if not below:
            return
        level = below
    raise NotPlain(f"it is nested more than {DEEPEST} levels deep")


def _check_scalars(values: Iterable[Any], *, finite: bool) -> None:
    for value in values:
        if isinstance(value, str):
            # most text is ASCII, and asking that costs next to nothing
            if not value.isascii() and any("\ud800" <= sign <= "\udfff" for sign in value):
                raise NotPlain("it holds half a surrogate pair, which is no character")
        elif isinstance(value, float):
            if finite and not math.isfinite(value):
                raise NotPlain(f"it holds {value}, which is no number")
        elif isinstance(value, int) and not -_LARGEST <= value < _LARGEST:
            raise NotPlain("it holds a whole number of more than 64 bits")
