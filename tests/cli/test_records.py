"""The records from the command line: a patient over two visits, review, report, deletion."""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path

import pytest

from vision_rom.cli.app import run
from vision_rom.errors import InstallationError
from vision_rom.records import Records
from vision_rom.web.store import ClinicStore


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "records"


def done(folder: Path, *words: object) -> int:
    return run([*map(str, words), "--records", str(folder), "--by", "tester"])


def test_a_patient_over_two_visits(
    folder: Path, sample_clips: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("weasyprint")
    clip = tmp_path / "arm.mp4"
    clip.write_bytes((sample_clips / "demo_abduction_right.mp4").read_bytes())
    assert done(folder, "patient", "add", "p-1", "--birth-year", 1971, "--sex", "female", "--complaint", "stiff") == 0
    for day in ("2026-03-02", "2026-04-02"):
        assert done(folder, "visit", "add", "p-1", "--on", day, "--motion", "assisted") == 0
    assert re.findall(r"Visit (\d)", capsys.readouterr().out) == ["1", "2"]
    for visit in (1, 2):
        words = (visit, clip, "--movement", "abduction", "--side", "right", "--consent", "--pain", "1.0-1.8:5")
        assert done(folder, "visit", "measure", *words) == 0
    shown = capsys.readouterr().out
    assert re.findall(r"Reading (\d): abduction, right: held \d+°", shown) == ["1", "2"]
    assert {path.name for path in (folder / "patients" / "p-1" / "visit-1" / "arm.reading").iterdir()} >= {
        "reading.json", "curve.png", "peak_right.jpg",
    }  # fmt: skip
    written = json.loads((folder / "patients/p-1/visit-1/arm.reading/reading.json").read_text(encoding="utf-8"))
    assert written["readings"][0]["motion"] == "assisted"
    assert written["software"]["parameters"]["pain_marks"] == ["1.0-1.8:5"]
    assert done(folder, "reading", "accept", 1) == 0
    assert done(folder, "reading", "reject", 2, "--repetition", 1, "--note", "leaned") == 0
    assert "Reading 3 corrects reading 2" in capsys.readouterr().out
    assert done(folder, "patient", "history", "p-1", "--picture", tmp_path / "trend.png") == 0
    assert "within measurement error" in capsys.readouterr().out
    assert (tmp_path / "trend.png").read_bytes().startswith(b"\x89PNG")
    assert done(folder, "visit", "report", 2, "--out", tmp_path / "out") == 0
    bundle = json.loads((tmp_path / "out" / "bundle.json").read_text(encoding="utf-8"))
    assert "amended" in json.dumps(bundle)
    assert done(folder, "visit", "add", "p-1", "--on", "2026-05-02") == 0
    assert done(folder, "visit", "import", 3, tmp_path / "out" / "bundle.json") == 0
    with Records(folder) as kept:
        [before], [after] = kept.readings(kept.visit(2)), kept.readings(kept.visit(3))
        assert (after.document, after.review) == (before.document, "unreviewed")
    (tmp_path / "no.json").write_text("{", encoding="utf-8")
    assert done(folder, "visit", "import", 3, tmp_path / "no.json") == 2
    assert done(folder, "visit", "import", 3, tmp_path / "absent.json") == 2
    assert done(folder, "patient", "export", "p-1", "--out", tmp_path / "all.json") == 0
    assert len(json.loads((tmp_path / "all.json").read_text(encoding="utf-8"))["visits"]) == 3
    assert done(folder, "patient", "list") == 0
    assert done(folder, "patient", "delete", "p-1", "--yes") == 0
    assert not clip.exists()
    assert not (folder / "patients" / "p-1").exists()
    capsys.readouterr()
    assert done(folder, "patient", "list") == 0
    assert capsys.readouterr().out == ""


def test_what_the_pages_received_is_exported_and_deleted_too(folder: Path, tmp_path: Path) -> None:
    assert done(folder, "patient", "add", "p-1") == 0
    assert done(folder, "visit", "add", "p-1", "--on", "2026-03-02") == 0
    received, taken_in = folder / "receiving", tmp_path / "taken_in.mp4"
    received.mkdir()
    taken_in.write_bytes(b"looked at and never sent")
    with ClinicStore(folder) as kept:
        half, looked_at = (kept.add_upload(name="a.mp4", size=9, visit_id=1) for _ in range(2))
        kept.set_upload(looked_at.id, state="looked_at", path=str(taken_in))
    (received / half.id).write_bytes(b"half")
    assert done(folder, "patient", "export", "p-1", "--out", tmp_path / "all.json") == 0
    exported = json.loads((tmp_path / "all.json").read_text(encoding="utf-8"))
    assert [one["id"] for one in exported["uploads"]] == [half.id, looked_at.id]
    assert done(folder, "patient", "delete", "p-1", "--yes") == 0
    assert not taken_in.exists()
    assert list(received.iterdir()) == []


def test_what_is_not_there_gets_a_sentence_and_code_2(
    folder: Path, sample_clips: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for words in (
        ("patient", "history", "nobody"),
        ("visit", "add", "nobody"),
        ("visit", "measure", 7, sample_clips / "pose_1.mp4"),
        ("reading", "accept", 7),
    ):
        assert done(folder, *words) == 2
        error = capsys.readouterr().err
        assert error.startswith("vision-rom: There is no ")
        assert "Traceback" not in error


def test_the_demo_makes_no_folder_where_nothing_can_be_rendered(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "vtkmodules", None)
    assert run(["demo", "--records", str(folder)]) == InstallationError.exit_code
    assert "vision-rom[synthetic]" in capsys.readouterr().err
    assert not folder.exists()


def test_the_demo_needs_a_new_folder(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder.mkdir()
    (folder / "mine.txt").write_text("mine", encoding="utf-8")
    assert run(["demo", "--records", str(folder)]) == 2
    assert "is not empty" in capsys.readouterr().err
    assert (folder / "mine.txt").read_text(encoding="utf-8") == "mine"
