"""Tables open everywhere in one line, say the same in both formats, and every column is explained."""

from __future__ import annotations

import csv
import dataclasses

import numpy as np
import pandas as pd
import pytest

from vision_rom.errors import OutputError
from vision_rom.handover import Landmark, Reading, Repetition
from vision_rom.research.batch import run_batch
from vision_rom.research.columns import TABLES, clean, columns_of, values_of
from vision_rom.research.manifest import items_of
from vision_rom.research.rows import frame_columns
from vision_rom.research.settings import BatchSettings
from vision_rom.research.tables import whole_file


@pytest.fixture(scope="module")
def run(people, tmp_path_factory):
    return run_batch(
        *items_of(people), tmp_path_factory.mktemp("run") / "run", BatchSettings(frames="both"), workers=0
    ).folder


def test_pandas_opens_them(run):
    assert pd.read_parquet(run / "readings.parquet").shape[0] == 6
    frames = pd.read_parquet(run / "frames")
    assert frames["clip_id"].nunique() == 6
    assert set(frames["kind"]) == {"landmark", "angle"}


def test_duckdb_opens_them(run):
    import duckdb

    ((count,),) = duckdb.sql(f"select count(*) from '{run}/readings.parquet' where status = 'measured'").fetchall()
    assert count == 6
    peaks = duckdb.sql(
        f"select clip_id, max(smoothed_deg) from '{run}/frames/*.parquet' group by all order by all"
    ).fetchall()
    assert [round(peak) for _, peak in peaks] == [60, 61, 62, 63, 64, 65]
    assert duckdb.sql(f"select count(*) from '{run}/clips.csv'").fetchall() == [(8,)]


def test_polars_opens_them(run):
    import polars

    assert polars.read_parquet(run / "readings.parquet")["held_deg"].mean() == pytest.approx(62.5, abs=0.3)
    assert polars.scan_parquet(run / "frames").select("clip_id").collect().n_unique() == 6


@pytest.mark.parametrize("name", TABLES)
def test_both_formats_say_the_same(run, name):
    parquet = pd.read_parquet(run / f"{name}.parquet")
    text = pd.read_csv(run / f"{name}.csv")
    assert list(text.columns) == list(parquet.columns)
    for column in parquet.columns:
        if pd.api.types.is_float_dtype(parquet[column]):
            np.testing.assert_array_equal(parquet[column].to_numpy(float), text[column].to_numpy(float))
        else:
            same = parquet[column].astype(object).where(parquet[column].notna(), "").astype(str).tolist()
            assert text[column].astype(object).where(text[column].notna(), "").astype(str).tolist() == same or not any(
                same
            )


def test_the_dictionary_explains_every_column(run):
    with (run / "dictionary.csv").open() as file:
        entries = {(row["table"], row["column"]): row for row in csv.DictReader(file)}
    import pyarrow.parquet

    frame = next((run / "frames").iterdir())
    for name in (*TABLES, "frames"):
        schema = pyarrow.parquet.read_schema(frame if name == "frames" else run / f"{name}.parquet")
        assert [column for table, column in entries if table == name] == schema.names
        for field in schema:
            entry = entries[name, field.name]
            assert len(entry["meaning"]) > 3
            assert "See vision_rom" not in entry["meaning"], "every field has a meaning of its own"
            assert field.metadata[b"unit"].decode() == entry["unit"]
            if field.name.endswith(("_deg", "_s", "_px", "_m", "_hz")):
                assert entry["unit"]


def test_fields_that_come_later_get_columns():
    @dataclasses.dataclass(frozen=True)
    class Later(Reading):
        painful_from_deg: float = 70.0
        arcs: tuple[tuple[float, float], ...] = ((1.0, float("nan")),)
        words: tuple[str, ...] = ("a", "b")

    cells = values_of(Later("shoulder", "abduction", "left", "measured", None, None, 1.0))
    assert (cells["painful_from_deg"], cells["arcs"], cells["words"]) == (70.0, "[[1.0, null]]", "a | b")


def test_every_field_of_a_reading_is_in_the_tables():
    names = {one.name for one in columns_of("readings")} | {one.name for one in columns_of("repetitions")}
    for kind in (Reading, Repetition):
        for field in dataclasses.fields(kind):
            parts = {field.name, field.name.replace("95_deg", "95_low_deg")}
            # marks are made in single recordings by hand, never in a batch
            assert parts & names or field.name in ("repetitions", "marks")


def test_frames_hold_landmarks_and_angles(measurement):
    table = pd.DataFrame(frame_columns(measurement, "x"))
    n = len(measurement.track.time_s)
    assert len(table) == n * (len(Landmark) + 1)
    elbow = table[table["landmark"] == "left_elbow"]
    np.testing.assert_allclose(elbow["x_px"], measurement.track.landmarks_px[:, Landmark.LEFT_ELBOW, 0], atol=5e-4)
    angle = table[table["kind"] == "angle"]
    np.testing.assert_allclose(angle["raw_deg"], measurement.curves[0].source.angle_deg, atol=5e-4)
    assert angle["smoothed_deg"].max() == pytest.approx(120, abs=0.5)
    assert table[(table["landmark"] == "nose")]["x_px"].isna().sum() == 3


@pytest.mark.parametrize(
    ("name", "value", "cell"),
    [("a_deg", 1.23456, 1.235), ("a_deg", float("nan"), None), ("a_deg", -0.0001, 0.0), ("a_m", 0.1234567, 0.12346)]
    + [("n", np.int64(3), 3), ("yes", np.bool_(True), True), ("t_s", float("inf"), None), ("text", "a", "a")],
)
def test_cells(name, value, cell):
    assert clean(name, value) == cell
    assert str(clean(name, value)) == str(cell)


def test_a_file_is_whole_or_absent(tmp_path):
    def fail():
        with whole_file(tmp_path / "a" / "b.csv") as file:
            file.write(b"half")
            raise OSError(28, "No space left on device")

    with pytest.raises(OutputError, match="No space left"):
        fail()
    assert list((tmp_path / "a").iterdir()) == []
