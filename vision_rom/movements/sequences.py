"""Expected orders of movements: named ones of the package, or a file of the user's own."""

from __future__ import annotations

from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any, get_args

from vision_rom.errors import UsageError
from vision_rom.handover import Side, Step
from vision_rom.movements.catalogue import load_catalogue
from vision_rom.outside_text import NotPlain, toml_of

SIDES_OF_A_STEP = (*get_args(Side), "both")
_FOLDER: Traversable = files("vision_rom.movements") / "sequences"


def sequence_names() -> tuple[str, ...]:
    """Return the names of the package's own sequences."""
    return tuple(sorted(one.name.removesuffix(".toml") for one in _FOLDER.iterdir() if one.name.endswith(".toml")))


def read_sequence(name_or_file: str) -> tuple[Step, ...]:
    """Return the steps of a sequence.

    Parameters
    ----------
    name_or_file : a name of :func:`sequence_names`, or the path of a TOML file of ``[[step]]`` tables with ``movement`` and
        ``side`` (left, right, or both, which is taken where it is left out).

    Raises
    ------
    UsageError
        There is no such sequence, the file cannot be read, or a step is not allowed; the step's number is named.

    """
    if name_or_file in sequence_names():
        text = (_FOLDER / f"{name_or_file}.toml").read_text(encoding="utf-8")
    else:
        text = _text_of(Path(name_or_file))
    try:
        document = toml_of(text)
    except NotPlain as error:
        raise UsageError(f"The sequence '{name_or_file}' is no valid TOML: {error}.") from error
    rows = document.get("step")
    if not isinstance(rows, list) or not rows or not set(document) <= {"title", "step"}:
        raise UsageError(f"The sequence '{name_or_file}' must hold [[step]] tables, and a title if it likes.")
    return tuple(_step(number, row, name_or_file) for number, row in enumerate(rows, 1))


def _text_of(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except FileNotFoundError:
        named = ", ".join(sequence_names())
        raise UsageError(f"There is no sequence or file '{path}'; named sequences: {named}.") from None
    except (OSError, ValueError) as error:
        if isinstance(error, OSError):
            reason = error.strerror or str(error)
        else:  # the other ValueError is a path with a NUL character
            reason = "it is not UTF-8 text" if isinstance(error, UnicodeDecodeError) else str(error)
        raise UsageError(f"The sequence '{path}' cannot be read: {reason}.") from error


def _step(number: int, row: Any, where: str) -> Step:
    if not isinstance(row, dict) or not set(row) <= {"movement", "side"}:
        raise UsageError(f"Step {number} of the sequence '{where}' may hold movement and side, and nothing else.")
    movement, side = row.get("movement"), row.get("side", "both")
    if not isinstance(movement, str) or movement not in load_catalogue():
        raise UsageError(f"Step {number} of the sequence '{where}' names no movement of the catalogue: {movement!r}.")
    if side not in SIDES_OF_A_STEP:
        raise UsageError(
            f"Step {number} of the sequence '{where}' has the side {side!r}; a side is left, right or both."
        )
    return Step(movement, side)
