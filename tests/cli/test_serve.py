from __future__ import annotations

import io
import sys
from pathlib import Path

import pytest

from vision_rom.cli.app import run
from vision_rom.errors import InstallationError
from vision_rom.records import Records


@pytest.fixture
def typed(monkeypatch: pytest.MonkeyPatch):
    """A function that gives a password through the pipe."""

    def give(password: str) -> None:
        monkeypatch.setattr("sys.stdin", io.StringIO(f"{password}\n"))

    return give


def test_an_account_is_added_listed_and_removed_by_somebody(tmp_path: Path, typed, capsys) -> None:
    where = ["--records", str(tmp_path)]
    typed("four words of ours")
    assert run(["account", "add", "Anton Assist", "--role", "assistant", "--by", "the chief", *where]) == 0
    capsys.readouterr()
    assert run(["account", "list", *where]) == 0
    assert capsys.readouterr().out == "Anton Assist\tassistant\n"
    assert run(["account", "remove", "Anton Assist", "--by", "the chief", *where]) == 0
    with Records(tmp_path) as kept:
        trail = [(who, what) for _, who, what in kept.audit()]
    assert trail == [
        ("the chief", "added the account Anton Assist (assistant)"),
        ("the chief", "removed the account Anton Assist"),
    ]


def test_a_short_password_is_refused(tmp_path: Path, typed, capsys) -> None:
    typed("short")
    assert run(["account", "add", "Anton", "--records", str(tmp_path)]) == 2
    assert "at least 10 signs" in capsys.readouterr().err


@pytest.mark.parametrize("words", [["serve", "--port", "1"], ["account", "add", "Anton"]])
def test_without_the_libraries_of_the_pages_the_line_that_installs_them_is_named(
    words: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys
) -> None:
    monkeypatch.setitem(sys.modules, "argon2", None)
    for module in ("app", "security"):
        monkeypatch.delitem(sys.modules, f"vision_rom.web.{module}", raising=False)
    assert run([*words, "--records", str(tmp_path)]) == InstallationError.exit_code
    assert "pip install 'vision-rom[web]'" in capsys.readouterr().err
