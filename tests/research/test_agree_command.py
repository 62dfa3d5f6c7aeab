"""``vision-rom agree`` from reference table to paragraph."""

from __future__ import annotations

import json

import numpy as np
import pytest

from vision_rom.cli.app import run as command
from vision_rom.research.batch import run_batch
from vision_rom.research.manifest import items_of
from vision_rom.research.settings import BatchSettings

PNG = b"\x89PNG\r\n\x1a\n"


@pytest.fixture(scope="module")
def finished(people, tmp_path_factory):
    out = tmp_path_factory.mktemp("runs") / "run"
    return run_batch(*items_of(people), out, BatchSettings(frames="none"), workers=0).folder


def write_reference(path, offsets):
    """A goniometer that reads so many degrees less than was drawn, and one value whose recording is broken."""
    lines = ["subject,visit,movement,side,reference_deg"]
    for number, offset in enumerate(offsets):
        side = "left" if number % 2 else "right"
        lines.append(f"s{number // 2},{number % 2 + 1},abduction,{side},{60 + number - offset}")
    path.write_text("\n".join([*lines, "sx,1,abduction,left,80"]) + "\n")
    return path


def test_a_known_offset_is_found(finished, tmp_path, capsys):
    offsets = [2.0, 4.0, 3.0, 3.0, 2.0, 4.0]
    reference = write_reference(tmp_path / "goniometer.csv", offsets)
    assert (
        command(["agree", str(reference), "--run", str(finished), "--against", "a goniometer", "--within", "3.5"]) == 0
    )
    text = capsys.readouterr().out
    assert "compared with a goniometer" in text
    assert "6 pairs of 3 subjects" in text
    assert "1 value of the reference had no reading" in text
    out = tmp_path / "goniometer-agreement"
    figures = json.loads((out / "agreement.json").read_text())["groups"]["abduction"]
    assert figures["limits"]["bias"]["value"] == pytest.approx(3.0, abs=0.3)
    assert figures["limits"]["n_subjects"] == 3
    assert list(figures["shares"]) == ["3.5"]
    for name in ("differences_abduction.png", "scatter_abduction.png"):
        assert (out / name).read_bytes().startswith(PNG)
    assert "not read" in (out / "left_over.csv").read_text() or "no reading" in (out / "left_over.csv").read_text()


def test_by_clip_and_by_repetition(finished, tmp_path, rows):
    (tmp_path / "r.csv").write_text(
        "clip,repetition,reference_deg\n"
        + "".join(f"p{n:03d}.json,1,{60 + n}\n" for n in range(6))
        + "broken.json,1,70\n"
    )
    out = tmp_path / "out"
    assert (
        command(["agree", str(tmp_path / "r.csv"), "--run", str(finished), "--out", str(out), "--value", "peak_deg"])
        == 0
    )
    pairs = rows(out / "pairs.csv")
    assert np.allclose([float(one["reading_deg"]) - float(one["reference_deg"]) for one in pairs], 0, atol=0.5)
    assert "cannot be read as landmarks" in rows(out / "left_over.csv")[0]["why"]


def test_two_raters_without_a_run(tmp_path, capsys):
    rows = "".join(f"s{n},{n % 2},{40 + 3 * n},{41 + 3 * n + n % 3}\n" for n in range(12))
    (tmp_path / "r.csv").write_text("subject,movement,reading_deg,reference_deg\n" + rows)
    assert command(["agree", str(tmp_path / "r.csv"), "--against", "a second rater"]) == 0
    text = capsys.readouterr().out
    assert "Readings were compared with a second rater" in text
    assert "vision-rom" not in text.split("## Methods")[1].split("## Results")[0]
    found = json.loads((tmp_path / "r-agreement" / "agreement.json").read_text())
    assert list(found["groups"]) == ["0", "1", "all"]


def test_a_number_in_the_paragraph_is_the_number_in_the_table(tmp_path, capsys, rows):
    random = np.random.default_rng(2)
    truth = random.uniform(60, 170, 20)
    lines = "".join(f"{a:.2f},{b:.2f}\n" for a, b in zip(truth + random.normal(1, 4, 20), truth, strict=True))
    (tmp_path / "r.csv").write_text("reading_deg,reference_deg\n" + lines)
    assert command(["agree", str(tmp_path / "r.csv"), "--out", str(tmp_path)]) == 0
    text = capsys.readouterr().out
    table = {one["figure"]: one for one in rows(tmp_path / "agreement.csv")}
    bias, icc = table["bias_deg"], table["icc2_1"]
    assert (
        f"Bias was {float(bias['value']):.1f}° (95% CI {float(bias['low95']):.1f} to {float(bias['high95']):.1f}°)"
        in text
    )
    assert f"ICC(2,1) was {float(icc['value']):.2f} (95% CI" in text
    assert f"MDC95 {float(table['mdc95_deg']['value']):.1f}°" in text
    assert "name the subjects" in text


@pytest.mark.parametrize(
    ("content", "run", "match"),
    [
        ("a,b\n1,2\n", False, "no column 'reference_deg'"),
        ("reference_deg\n1\n", False, "--run"),
        ("reading_deg,reference_deg\n1,x\n", False, "line 2: reference_deg is 'x'"),
        ("reading_deg,reference_deg\n1,\n", False, "no row with both"),
        ("reading_deg,reference_deg\n1,2\n", False, "two subjects"),
        ("note,reference_deg\na,2\n", True, "fit no reading"),
        ("movement,reference_deg\nabduction,2\n", True, "fits 6 readings"),
    ],
)
def test_wrong_references_end_with_a_sentence(finished, tmp_path, capsys, content, run, match):
    (tmp_path / "r.csv").write_text(content)
    assert command(["agree", str(tmp_path / "r.csv"), *(["--run", str(finished)] if run else [])]) == 2
    assert match in capsys.readouterr().err


def test_sample_size(capsys):
    line = ["sample-size", "--sd", "6", "--half-width", "2", "--icc", "0.85", "--icc-width", "0.2", "--repeats", "3"]
    assert command(line) == 0
    text = capsys.readouterr().out
    assert "SD 6: 105 subjects" in text
    assert "70 subjects" in text
    assert "2 raters: 35 subjects" in text


@pytest.mark.parametrize("arguments", [[], ["--sd", "5"], ["--icc", "0.9"], ["--sd", "0", "--half-width", "1"]])
def test_sample_size_needs_both_halves(arguments, capsys):
    assert command(["sample-size", *arguments]) == 2
    assert capsys.readouterr().err.startswith("vision-rom: ")
