"""Nothing but our own errors leaves a parser, and what once did stays refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from vision_rom.errors import UsageError, VisionRomError
from vision_rom.proof.hostile.parsers import PARSERS, remove_folder, tried
from vision_rom.research.manifest import LARGEST_WHOLE, items_of_table
from vision_rom.visit_report.fhir import documents_of

pytest.importorskip("fhir.resources")

HERE = Path(__file__).parent


def files_of(folder: str) -> list[tuple[str, Path]]:
    return [(path.parent.name, path) for path in sorted((HERE / folder).glob("*/*"))]


@pytest.fixture(autouse=True, scope="module")
def _no_folder_left():
    yield
    remove_folder()


def test_every_parser_has_a_seed():
    assert {name for name, _ in files_of("seeds")} == set(PARSERS)


@pytest.mark.parametrize(("name", "path"), files_of("seeds"), ids=lambda one: getattr(one, "name", one))
def test_a_seed_is_read(name: str, path: Path):
    """A target that refused its own seed would fuzz nothing but the first refusal."""
    PARSERS[name].run(path.read_bytes())


@pytest.mark.parametrize(("name", "path"), files_of("failed"), ids=lambda one: getattr(one, "name", one))
def test_what_once_broke_a_parser_is_refused_in_a_sentence(name: str, path: Path):
    with pytest.raises(VisionRomError):
        PARSERS[name].run(path.read_bytes())


def test_an_error_that_is_not_ours_is_handed_back(monkeypatch: pytest.MonkeyPatch):
    def broken(data: bytes) -> None:
        raise KeyError(data)

    monkeypatch.setattr(
        "vision_rom.proof.hostile.parsers.PARSERS", {"broken": PARSERS["findings"].__class__(broken, ())}
    )
    assert isinstance(tried("broken", b"a"), KeyError)


def test_a_cell_that_no_csv_reader_takes_is_refused_with_its_line():
    with pytest.raises(UsageError, match=r"m\.csv, line 1 is no CSV text"):
        items_of_table("clip\n" + "a" * 140_000 + "\n", "m.csv")


def test_a_number_that_no_table_holds_is_refused():
    items_of_table(f"clip,width_px\na.json,{LARGEST_WHOLE}\n", "m.csv")
    with pytest.raises(UsageError, match="at most"):
        items_of_table(f"clip,width_px\na.json,{LARGEST_WHOLE + 1}\n", "m.csv")


@pytest.mark.parametrize("entry", [None, [None], [{"resource": None}]])
def test_a_bundle_of_nothing_is_refused(entry: object):
    with pytest.raises(UsageError):
        documents_of({"resourceType": "Bundle", "type": "collection", "entry": entry})
