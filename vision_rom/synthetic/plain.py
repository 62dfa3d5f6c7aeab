"""Frozen dataclasses to short TOML and JSON and back, every wrong key or value answered with one sentence."""

from __future__ import annotations

import json
import types
import typing
from collections.abc import Mapping
from dataclasses import MISSING, Field, fields, is_dataclass
from typing import Any, Literal, TypeVar, get_args, get_origin

from vision_rom.errors import UsageError

T = TypeVar("T")


def to_plain(value: Any, *, tags: Mapping[type, str]) -> Any:
    """Turn a dataclass into dictionaries, lists, numbers and texts, leaving out what is at its default.

    ``tags`` names the members of unions of dataclasses: they get the key ``act`` with that name.
    """
    if is_dataclass(value):
        tag = {"act": tags[type(value)]} if type(value) in tags else {}
        kept = ((f.name, getattr(value, f.name)) for f in fields(value) if getattr(value, f.name) != _default(f))
        return tag | {name: to_plain(inner, tags=tags) for name, inner in kept}
    if isinstance(value, list | tuple):
        return [to_plain(inner, tags=tags) for inner in value]
    return value


def _default(field: Field[Any]) -> Any:
    if field.default is not MISSING:
        return field.default
    return field.default_factory() if field.default_factory is not MISSING else MISSING


def from_plain(kind: type[T], document: Any, *, tags: Mapping[type, str], where: str) -> T:
    """Build a dataclass from what :func:`to_plain` made; ``where`` names the place in messages.

    Raises UsageError for keys that do not exist, are missing, or have a value of the wrong kind.
    """
    if not isinstance(document, Mapping):
        raise UsageError(f"{where} is a table of settings, not {_shown(document)}.")
    hints = typing.get_type_hints(kind)
    known = {f.name: f for f in fields(kind)}  # type: ignore[arg-type]
    for key in document:
        if key not in known:
            raise UsageError(f"{where} has no setting '{key}'; it knows {', '.join(known)}.")
    for name, field in known.items():
        if name not in document and _default(field) is MISSING:
            raise UsageError(f"{where} lacks '{name}'.")
    return kind(**{key: _read(hints[key], value, tags, f"{where}.{key}") for key, value in document.items()})


def _read(hint: Any, value: Any, tags: Mapping[type, str], where: str) -> Any:
    origin, arguments = get_origin(hint), get_args(hint)
    if origin in (typing.Union, types.UnionType):
        return _read_union(arguments, value, tags, where)
    if origin is Literal:
        if value not in arguments:
            raise UsageError(f"{where} is one of {', '.join(map(str, arguments))}, not {_shown(value)}.")
        return value
    if origin is tuple:
        return _read_tuple(arguments, value, tags, where)
    if is_dataclass(hint):
        return from_plain(typing.cast("type[Any]", hint), value, tags=tags, where=where)
    if hint is float and isinstance(value, int) and not isinstance(value, bool):
        return float(value)
    if not isinstance(value, hint) or (isinstance(value, bool) and hint is not bool):
        names = {int: "a whole number", float: "a number", str: "a text", bool: "true or false"}
        raise UsageError(f"{where} is {names.get(hint, hint)}, not {_shown(value)}.")
    return value


def _read_tuple(arguments: tuple[Any, ...], value: Any, tags: Mapping[type, str], where: str) -> tuple[Any, ...]:
    if not isinstance(value, list | tuple):
        raise UsageError(f"{where} is a list, not {_shown(value)}.")
    if len(arguments) == 2 and arguments[1] is Ellipsis:
        return tuple(_read(arguments[0], inner, tags, f"{where}[{i}]") for i, inner in enumerate(value))
    if len(value) != len(arguments):
        raise UsageError(f"{where} is a list of {len(arguments)} values, not of {len(value)}.")
    return tuple(_read(hint, inner, tags, where) for hint, inner in zip(arguments, value, strict=True))


def _read_union(arguments: tuple[Any, ...], value: Any, tags: Mapping[type, str], where: str) -> Any:
    if value is None and type(None) in arguments:
        return None
    tagged = {tags[kind]: kind for kind in arguments if kind in tags}
    if not tagged:
        (hint,) = (kind for kind in arguments if kind is not type(None))
        return _read(hint, value, tags, where)
    if not isinstance(value, Mapping) or value.get("act") not in tagged:
        given = value.get("act") if isinstance(value, Mapping) else value
        raise UsageError(f"{where}.act is one of {', '.join(tagged)}, not {_shown(given)}.")
    inner = {key: v for key, v in value.items() if key != "act"}
    return from_plain(tagged[value["act"]], inner, tags=tags, where=where)


def _shown(value: Any) -> str:
    return "nothing" if value is None else repr(value) if len(repr(value)) < 40 else f"{repr(value)[:36]}..."


def to_toml(document: Mapping[str, Any], *, above: str = "") -> str:
    """Write dictionaries, lists, numbers and texts as TOML; tables inside lists go on one line each."""
    lines, tables = [], []
    for key, value in document.items():
        path = f"{above}{key}"
        if isinstance(value, Mapping):
            tables.append(f"\n[{path}]\n{to_toml(value, above=path + '.')}")
        elif isinstance(value, list) and value and all(isinstance(v, Mapping) for v in value):
            tables += [f"\n[[{path}]]\n" + "".join(f"{k} = {_inline(v)}\n" for k, v in item.items()) for item in value]
        else:
            lines.append(f"{key} = {_inline(value)}\n")
    return "".join(lines + tables)


def _inline(value: Any) -> str:
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{k} = {_inline(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_inline(v) for v in value) + "]"
    return json.dumps(value, ensure_ascii=False, allow_nan=False)
