"""Rows to tables, files and plots; the rows here are invented, for the tables' form alone."""

from __future__ import annotations

import csv
import io
import math
from dataclasses import fields, replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from vision_rom.errors import OutputError
from vision_rom.proof.result import facts_of_run, write_results
from vision_rom.proof.run import ProofRow
from vision_rom.proof.write_up import (
    camera_of,
    errors_csv,
    page_markdown,
    range_of,
    slope_of,
    summarise,
    summary_csv,
    targets_markdown,
)

NAN = math.nan


def row(
    true_deg: float = 100.0, error_deg: float = 2.0, *, movement: str = "abduction", condition: str = "wanted view"
) -> ProofRow:
    value = true_deg + error_deg
    known = math.isfinite(value)
    return ProofRow(
        clip=f"{movement}-{true_deg}-{condition}",
        movement=movement,
        side="left",
        view="front",
        condition=condition,
        person=1,
        sex="female",
        age_years=50.0,
        sleeve="short",
        room=1,
        camera_off_plane_deg=0.0,
        camera_tilt_deg=0.0,
        camera_distance_m=3.0,
        pictures=50,
        rate_hz=15.0,
        model="full",
        method="one",
        compared_with="held",
        true_deg=true_deg,
        true_held_deg=true_deg,
        true_peak_deg=true_deg + 1,
        true_repetitions=1,
        status="measured" if known else "not_measured",
        reason="" if known else "The arm | was hidden.",
        value_deg=value,
        error_deg=value - true_deg,
        low_deg=value - 3,
        high_deg=value + 3,
        holds_truth=abs(error_deg) <= 3 if known else None,
        repetitions=1,
        view_found="front",
        off_plane_found_deg=1.0,
        seconds_a_picture=0.04,
    )


ROWS = [
    row(40, 1),
    row(90, -2),
    row(150, -5),
    row(120, NAN),
    row(100, 4, condition="camera 25 deg off, to the left"),
    row(110, 3, movement="flexion", condition="phone tilted 20 deg up"),
    row(50, -9, movement="external_rotation"),
]


def test_errors_csv_keeps_every_field_of_every_row() -> None:
    read = list(csv.DictReader(io.StringIO(errors_csv(ROWS))))
    assert len(read) == len(ROWS)
    assert set(read[0]) == {field.name for field in fields(ProofRow)}
    assert [float(one["true_deg"]) for one in read] == [one.true_deg for one in ROWS]
    assert read[3]["value_deg"] == read[3]["holds_truth"] == ""
    assert read[2]["holds_truth"] == "False"


def test_summary_counts_what_was_not_measured() -> None:
    (one,) = summarise([r for r in ROWS if r.movement == "abduction"], lambda r: (r.movement,))
    assert one.clips == 5
    assert one.errors.n == 4
    assert one.not_measured == pytest.approx(0.2)
    assert one.errors.mean_absolute_deg == pytest.approx(3.0)
    assert one.coverage.n == 4
    assert one.coverage.share == 0.5


def test_tilted_or_turned_cameras_are_told_from_the_wanted_view() -> None:
    assert [camera_of(one) for one in ROWS].count("off or tilted") == 2
    assert camera_of(row(condition="low light")) == "wanted view"


def test_limits_are_met_or_not() -> None:
    assert "| no |" in targets_markdown([row(error_deg=2.5)])
    assert "| yes |" in targets_markdown([row(error_deg=1.5)])
    assert "| no |" in targets_markdown([row(error_deg=NAN)])


def test_slope_leaves_rotation_and_the_ends_out() -> None:
    rows = [row(true, 0.1 * true) for true in (30, 80, 170)]
    odd = [row(178, -60), row(10, 40), row(100, 50, movement="external_rotation")]
    assert slope_of([*rows, *odd]).slope == pytest.approx(1.1)


def test_tables_are_well_formed() -> None:
    text = summary_csv(summarise(ROWS, lambda r: (r.movement, r.condition)), ("movement", "condition"))
    lines = list(csv.reader(io.StringIO(text)))
    assert {len(line) for line in lines} == {len(lines[0])}
    page = page_markdown(ROWS, {"command": "`x`"})
    assert "does not prove" in page
    widths = [line.count("|") for line in page.splitlines() if line.startswith("|")]
    assert min(widths) > 5
    assert "The arm / was hidden." in page


def test_results_are_written_whole(tmp_path: Path) -> None:
    folder = write_results(ROWS, tmp_path / "out", facts_of_run("vision-rom prove"))
    names = {path.name for path in folder.iterdir()}
    assert names == {
        "errors.csv",
        "table.csv",
        "table_by_camera.csv",
        "landmarks.csv",
        "page.md",
        "error_by_angle.png",
        "agreement_elevation.png",
    }
    for name in ("error_by_angle.png", "agreement_elevation.png"):
        picture = cv2.imread(str(folder / name))
        assert picture is not None
        assert np.ptp(picture) > 100


def test_plots_of_nothing_measured_are_still_plots(tmp_path: Path) -> None:
    write_results([row(error_deg=NAN)], tmp_path, {})
    assert (tmp_path / "error_by_angle.png").stat().st_size > 1000


def test_folder_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("")
    with pytest.raises(OutputError, match="file"):
        write_results([replace(ROWS[0])], blocked, {})


@pytest.mark.parametrize(
    ("true_deg", "part"),
    [(0, "000 to 060"), (60, "060 to 110"), (149, "110 to 150"), (150, "150 and more"), (179, "150 and more")],
)
def test_parts_of_the_range_hold_their_lower_edge(true_deg: float, part: str) -> None:
    assert range_of(row(true_deg)) == part
