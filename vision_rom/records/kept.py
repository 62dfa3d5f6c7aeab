"""The open database under everything that is kept: every change is one transaction and one line of the audit trail."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import Any, Self, TypeVar

from vision_rom.errors import UsageError
from vision_rom.records.database import in_a_sentence, integrity, now, open_database, transaction

Row = TypeVar("Row")


def made(kind: type[Row], row: sqlite3.Row, **changed: Any) -> Row:
    """Return a row as the dataclass whose fields are its columns; ``changed`` are those that SQLite has in another form."""
    names = kind.__dataclass_fields__  # type: ignore[attr-defined]
    return kind(**{name: row[name] for name in names if name not in changed} | changed)


def one_of(name: str, value: object, allowed: Sequence[str]) -> None:
    """Raise UsageError where a value is none of those allowed."""
    if value not in allowed:
        raise UsageError(f"The {name} must be one of {', '.join(allowed)}, not {value!r}.")


class Kept:
    """One folder's database. Use as a context manager; ``who`` is noted with every change."""

    def __init__(self, folder: Path, *, who: str = "unknown") -> None:
        self.folder = folder
        self.who = who
        self._connection = open_database(folder)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the database."""
        self._connection.close()

    def integrity(self) -> str:
        """Return ``ok``, or what is wrong."""
        return integrity(self._connection)

    def note(self, what: str) -> None:
        """Write a line of the audit trail for something that changes nothing, such as an export."""
        with self._changing(what):
            pass

    def audit(self) -> list[tuple[str, str, str]]:
        """Return the trail: when, who, what."""
        return [
            (row["at"], row["who"], row["what"]) for row in self._connection.execute("SELECT * FROM audit ORDER BY id")
        ]

    # --- beneath --------------------------------------------------------------------------------------------------

    @contextmanager
    def _changing(self, what: str) -> Iterator[None]:
        try:
            with transaction(self._connection):
                yield
                self._connection.execute("INSERT INTO audit (at, who, what) VALUES (?, ?, ?)", (now(), self.who, what))
        except sqlite3.IntegrityError as error:
            raise UsageError(f"The records in '{self.folder}' refuse this: {error}.") from error
        except sqlite3.Error as error:
            raise in_a_sentence(error, self.folder) from error

    def _one(self, query: str, *values: object) -> sqlite3.Row | None:
        row: sqlite3.Row | None = self._connection.execute(query, values).fetchone()
        return row

    def _insert(self, table: str, item: Any, *, without: Sequence[str] = (), **changed: object) -> int:
        values = {name: value for name, value in asdict(item).items() if name not in without} | changed
        values["created_at"] = now()
        names = ", ".join(values)
        marks = ", ".join("?" for _ in values)
        # table and columns are names of our own dataclasses, never a user's text
        cursor = self._connection.execute(f"INSERT INTO {table} ({names}) VALUES ({marks})", tuple(values.values()))
        return int(cursor.lastrowid or 0)

    def _set(self, table: str, number: int | str, changed: dict[str, object]) -> None:
        # table and columns are names of our own, never a user's text
        marks = ", ".join(f"{name} = ?" for name in changed)
        self._connection.execute(f"UPDATE {table} SET {marks} WHERE id = ?", (*changed.values(), number))
