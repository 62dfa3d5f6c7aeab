"""A manifest and a reference full of formulas go through a whole run, and no table of it can run one."""

from __future__ import annotations

import csv
import shutil
from pathlib import Path

import pytest

from vision_rom.cli.app import run as command
from vision_rom.report.cells import plain_cell, safe_cell
from vision_rom.research.batch import run_batch
from vision_rom.research.manifest import items_of
from vision_rom.research.run_folder import read_run
from vision_rom.research.settings import BatchSettings

FORMULA = "=cmd|'/C calc'!A0"
PEOPLE = 4


@pytest.fixture(scope="module")
def listed(people, tmp_path_factory) -> Path:
    """A list whose file names, subjects, carried column and its name are formulas."""
    folder = tmp_path_factory.mktemp("hostile")
    lines = ["clip,subject,visit,movement,side,@site"]
    for number in range(PEOPLE):
        name = f"+p{number}.json"
        shutil.copy(people.parent / f"p{number:03d}.json", folder / name)
        lines.append(f'{name},"{FORMULA}{number}",1,abduction,{"left" if number % 2 else "right"},-1+A1')
    # the sentence of a failure quotes the name
    lines.append(f"@absent.json,{FORMULA}x,1,abduction,left,-5")
    (folder / "list.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder / "list.csv"


@pytest.fixture(scope="module")
def finished(listed, tmp_path_factory) -> Path:
    out = tmp_path_factory.mktemp("runs") / "run"
    return run_batch(*items_of(listed), out, BatchSettings(frames="both"), workers=0).folder


def cells_of(folder: Path) -> dict[str, list[str]]:
    found = {}
    for path in folder.rglob("*.csv"):
        with path.open(encoding="utf-8", newline="") as file:
            found[path.name] = [cell for row in csv.reader(file) for cell in row]
    return found


def test_no_cell_of_a_run_is_a_formula(finished):
    tables = cells_of(finished)
    assert {"readings.csv", "repetitions.csv", "clips.csv", "failures.csv", "dictionary.csv", "manifest.csv"} <= set(
        tables
    )
    for name, cells in tables.items():
        assert [cell for cell in cells if safe_cell(plain_cell(cell)) != cell] == [], name
    assert f"'{FORMULA}0" in tables["readings.csv"]
    assert "'@site" in tables["readings.csv"]
    assert "-5" in tables["failures.csv"]


def test_the_run_is_read_again_as_it_was_given(listed, finished):
    assert read_run(finished).items == items_of(listed)[1]


def test_parquet_holds_the_text_itself(finished):
    import pyarrow.parquet

    table = pyarrow.parquet.read_table(finished / "readings.parquet")
    assert table.column("subject").to_pylist()[0] == f"{FORMULA}0"
    assert table.column("@site").to_pylist()[0] == "-1+A1"


@pytest.mark.parametrize("safe", [False, True], ids=["as typed", "as our table has it"])
def test_a_reference_finds_its_readings_and_its_tables_are_safe(finished, tmp_path, safe):
    subjects = [f"{FORMULA}{number}" for number in range(PEOPLE)]
    lines = [f'"{safe_cell(one) if safe else one}",{57 + number}' for number, one in enumerate(subjects)]
    (tmp_path / "r.csv").write_text("\n".join(["subject,reference_deg", *lines, "=nobody,50"]) + "\n", encoding="utf-8")
    assert command(["agree", str(tmp_path / "r.csv"), "--run", str(finished), "--out", str(tmp_path / "out")]) == 0
    tables = cells_of(tmp_path / "out")
    assert [cell for cell in tables["pairs.csv"] if cell.startswith("'=")] == [f"'{one}" for one in subjects]
    assert "'=nobody" in tables["left_over.csv"]
    for name, cells in tables.items():
        assert [cell for cell in cells if safe_cell(plain_cell(cell)) != cell] == [], name
