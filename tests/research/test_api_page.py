"""The examples of the Python page run as they are printed."""

from __future__ import annotations

import doctest
from pathlib import Path

PROJECT = Path(__file__).parents[2]


def test_every_example_of_the_page_runs(monkeypatch):
    monkeypatch.chdir(PROJECT)
    found = doctest.testfile(str(PROJECT / "vision_rom" / "python_api.md"), module_relative=False, encoding="utf-8")
    assert found.attempted > 30
    assert found.failed == 0
