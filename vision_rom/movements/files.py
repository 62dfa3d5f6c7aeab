"""Reading one file of the catalogue: text to a checked dictionary, or one clear sentence."""

from __future__ import annotations

import json
from collections.abc import Sequence
from functools import lru_cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any, Literal

from vision_rom.errors import UsageError
from vision_rom.outside_text import NotPlain, toml_of

FileKind = Literal["joint", "sources", "safety"]
_TYPE_IN_WORDS = {
    "string": "a text",
    "number": "a number",
    "integer": "a whole number",
    "boolean": "true or false",
    "array": "a list",
    "object": "a table",
}

PACKAGE_FOLDER: Traversable = files("vision_rom.movements")


def read_file(path: Path | Traversable, kind: FileKind) -> dict[str, Any]:
    """Return the contents of one TOML file after checking its form.

    Raises :class:`UsageError` with the file, the key and what is allowed there.
    """
    try:
        text = path.read_bytes().decode("utf-8")
    except UnicodeDecodeError as error:
        raise UsageError(f"{path} is not UTF-8 text (byte {error.start}); save it as UTF-8 and try again.") from None
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise UsageError(f"The movement file {path} cannot be read ({reason}); check the path.") from None
    try:
        # no fact of a movement is NaN or infinite, and JSON Schema would let both through every limit
        data = toml_of(text, finite=True)
    except NotPlain as error:
        raise UsageError(f"{path} is not valid TOML: {error}. Correct that place and try again.") from None
    check_form(data, kind=kind, file=str(path))
    return data


def check_form(data: dict[str, Any], *, kind: FileKind, file: str) -> None:
    """Raise :class:`UsageError` where the data do not follow the package's JSON Schema."""
    # the library takes longer to import than the catalogue takes to load; `import vision_rom.movements` stays fast
    from jsonschema.exceptions import best_match

    error = best_match(_validator(kind).iter_errors(data))
    if error is not None:
        raise UsageError(f"{file}: {_sentence(error)}")


@lru_cache
def _validator(kind: FileKind) -> Any:
    from jsonschema import Draft202012Validator

    schema = json.loads((PACKAGE_FOLDER / "catalogue.schema.json").read_bytes())
    if kind != "joint":
        schema = {"$schema": schema["$schema"], "$defs": schema["$defs"], "$ref": f"#/$defs/{kind}_file"}
    return Draft202012Validator(schema)


def _sentence(error: Any) -> str:
    """Return where the form is broken, how, and what is allowed there."""
    where = key_path(error.absolute_path)
    found = error.instance
    match error.validator:
        case "required":
            missing = next(key for key in error.validator_value if key not in found)
            return f"{where} lacks '{missing}'; add it."
        case "additionalProperties":
            allowed = error.schema.get("properties", {})
            unknown = next(key for key in found if key not in allowed)
            return f"{where} has the unknown key '{unknown}'; allowed are {', '.join(sorted(allowed))}."
        case "enum":
            return f"{where} is {found!r}; allowed are {', '.join(map(str, error.validator_value))}."
        case "const":
            return f"{where} is {found!r}; it must be {error.validator_value!r}."
        case "type":
            return f"{where} is {found!r}; it must be {_TYPE_IN_WORDS.get(error.validator_value, 'of another type')}."
        case "pattern":
            return f"{where} is {found!r}; it must follow the pattern {error.validator_value}."
        case "anyOf":
            return f"{where} needs one of: " + "; ".join(
                " and ".join(option.get("required", ())) for option in error.validator_value
            )
        case _:
            return f"{where}: {error.message}."


def key_path(keys: Sequence[str | int]) -> str:
    """Return a place in a file as a reader writes it: ``movements.abduction.norms[2].mean``; places count from 1."""
    text = ""
    for key in keys:
        text += f"[{key + 1}]" if isinstance(key, int) else f".{key}"
    return text.removeprefix(".") or "the file"
