"""Tables as Parquet and CSV files with fixed order and formatting, and the data dictionary beside them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from contextlib import contextmanager
from itertools import chain
from pathlib import Path
from typing import Any, BinaryIO

from vision_rom import whole_files
from vision_rom.errors import OutputError
from vision_rom.report.cells import csv_text, safe_cell
from vision_rom.research.columns import TABLES, Column, columns_of
from vision_rom.research.libraries import pyarrow, pyarrow_csv, pyarrow_parquet
from vision_rom.research.rows import Row


@contextmanager
def whole_file(path: Path) -> Any:  # Iterator[BinaryIO]; the context manager's type hides it
    """Give a file to write to that appears under its name only when it is whole and on the disk.

    Raises
    ------
    OutputError
        The disk is full, or the folder may not be written.

    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with whole_files.whole_file(path) as file:
            yield file
    except OSError as error:
        raise OutputError(
            f"{path} cannot be written ({error.strerror or error}); free the disk or choose another --out."
        ) from error


def write_text(path: Path, text: str) -> None:
    """Write a text file whole or not at all."""
    with whole_file(path) as file:
        file.write(text.encode())


def write_tables(rows: dict[str, list[Row]], folder: Path, carried: Sequence[str]) -> None:
    """Write the tables of a run as NAME.parquet and NAME.csv, and ``dictionary.csv`` that explains their columns."""
    for name in TABLES:
        columns = (*columns_of(name), *carried_columns(carried))
        table = arrow_table({one.name: [row.get(one.name) for row in rows[name]] for one in columns}, columns)
        write_parquet([table], folder / f"{name}.parquet")
        write_csv([for_spreadsheets(table)], folder / f"{name}.csv")
    write_text(folder / "dictionary.csv", dictionary_text(carried))


def carried_columns(names: Iterable[str]) -> tuple[Column, ...]:
    """Return the columns that a manifest carries through."""
    return tuple(
        Column(
            name,
            "text",
            "From the manifest, carried through unchanged (in CSV with an apostrophe before what would be a formula)",
        )
        for name in names
    )


def arrow_table(values: dict[str, Any], columns: Sequence[Column]) -> Any:
    """Return an Arrow table whose fields carry unit and meaning; None and NaN are empty."""
    pa = pyarrow()
    kinds = {"text": pa.string(), "number": pa.float64(), "whole": pa.int64(), "yes_no": pa.bool_()}
    fields = [
        pa.field(one.name, kinds[one.kind], metadata={"unit": one.unit, "meaning": one.meaning}) for one in columns
    ]
    arrays = [pa.array(values[one.name], kinds[one.kind], from_pandas=True) for one in columns]
    return pa.table(arrays, schema=pa.schema(fields))


def write_parquet(tables: Iterable[Any], path: Path) -> None:
    """Write Arrow tables of the same columns, one at least, as one, so that equal tables become equal bytes."""
    parts = iter(tables)
    first = next(parts)
    with (
        whole_file(path) as file,
        pyarrow_parquet().ParquetWriter(
            file, first.schema, compression="zstd", version="2.6", store_schema=True
        ) as writer,
    ):
        for table in chain([first], parts):
            writer.write_table(table)


def write_csv(tables: Iterable[Any], path: Path) -> None:
    """Write Arrow tables of the same columns as one CSV: comma, point, UTF-8, quotes only where needed, empty where nothing is known."""
    csv = pyarrow_csv()
    with whole_file(path) as file:
        for place, table in enumerate(tables):
            _write_csv(csv, table, file, header=place == 0)


def _write_csv(csv: Any, table: Any, file: BinaryIO, *, header: bool) -> None:
    if header:
        file.write(csv_text([table.column_names]).encode())
    csv.write_csv(table, file, csv.WriteOptions(include_header=False, quoting_style="needed"))


def for_spreadsheets(table: Any) -> Any:
    """Return an Arrow table whose text cells no spreadsheet takes for formulas (:mod:`vision_rom.report.cells`)."""
    pa = pyarrow()
    for place, field in enumerate(table.schema):
        if field.type == pa.string():
            cells = [None if text is None else safe_cell(text) for text in table.column(place).to_pylist()]
            table = table.set_column(place, field, pa.array(cells, pa.string()))
    return table


def dictionary_text(carried: Sequence[str]) -> str:
    """Return the data dictionary: a row for each column of each table."""
    rows = [("table", "column", "type", "unit", "meaning")]
    types = {"text": "text", "number": "number", "whole": "whole number", "yes_no": "true or false"}
    for name in (*TABLES, "frames"):
        extra = () if name == "frames" else carried_columns(carried)
        for one in (*columns_of(name), *extra):
            rows.append((name, one.name, types[one.kind], one.unit, one.meaning))
    return csv_text(rows)
