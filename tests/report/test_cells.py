"""No cell of ours is a formula to a spreadsheet, and none loses what was in it."""

from __future__ import annotations

import csv
import io

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision_rom.report.cells import csv_of_table, csv_text, plain_cell, safe_cell

STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")  # noqa: RUF001 - the wide forms are meant


@pytest.mark.parametrize("start", STARTS)
def test_a_formula_gets_an_apostrophe(start):
    text = f"{start}HYPERLINK(A1)"
    assert safe_cell(text) == f"'{text}"
    assert plain_cell(safe_cell(text)) == text


@pytest.mark.parametrize("text", ["", "a=1", "-5", "+3.5", "-1e-3", "-.5", "'", "it's", "2026-03-02", " =1"])
def test_anything_else_stays(text):
    assert safe_cell(text) == text == plain_cell(text)


@pytest.mark.parametrize("text", ["-5+A1", "+49 170 1", "-", "--1", "-\u0663"])
def test_what_only_begins_like_a_number_is_a_formula(text):
    assert safe_cell(text) == f"'{text}"


@given(st.text(st.sampled_from("'=+-@\t\r\n19.e a")))
def test_every_text_comes_back_and_is_no_formula(text):
    cell = safe_cell(text)
    assert plain_cell(cell) == text
    if cell.startswith(STARTS):
        float(cell)  # only a number may begin so


@given(st.lists(st.lists(st.text(st.sampled_from("'=+-@\t\r\n\",a1")), min_size=2, max_size=2), min_size=1))
def test_rows_come_back_through_a_csv_reader(rows):
    read = list(csv.reader(io.StringIO(csv_text(rows), newline="")))
    assert [[plain_cell(cell) for cell in row] for row in read] == rows


def test_a_table_keeps_its_numbers():
    table = pd.DataFrame({"=name": ["=a", "b, c", None], "deg": [-1.5, float("nan"), 3.0], "n": [1, 2, 3]})
    assert csv_of_table(table) == "'=name,deg,n\n'=a,-1.5,1\n\"b, c\",,2\n,3.0,3\n"
