"""C3D files by two readers, and JSON lines."""

from __future__ import annotations

import dataclasses
import json
import warnings

import numpy as np
import pytest

from vision_rom.errors import OutputError, UsageError
from vision_rom.handover import Landmark
from vision_rom.research import c3d_files
from vision_rom.research.c3d_files import write_c3d
from vision_rom.research.json_lines import write_json_lines

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # the readers' own deprecations
    import c3d
    import ezc3d


def by_c3d(path):
    """Rate, labels and points (frames, points, x y z residual cameras) as the package c3d reads them."""
    with warnings.catch_warnings(), path.open("rb") as file:
        warnings.simplefilter("ignore")
        reader = c3d.Reader(file)
        labels = [one.strip() for one in reader.point_labels]
        return reader.point_rate, labels, np.array([points for _, points, _ in reader.read_frames()])


def by_ezc3d(path):
    file = ezc3d.c3d(str(path))
    return file["parameters"]["POINT"], file["data"]["points"][:3].transpose(2, 1, 0)


def test_two_readers_read_what_was_written(measurement, tmp_path):
    (path,) = write_c3d(measurement, tmp_path / "a.c3d")
    rate, labels, points = by_c3d(path)
    point, others = by_ezc3d(path)
    n = len(measurement.track.time_s)
    assert rate == pytest.approx(20.0)
    assert labels == [*(one.name.lower() for one in Landmark), "left_abduction"]
    assert point["UNITS"]["value"] == ["mm"]
    assert point["ANGLES"]["value"] == ["left_abduction"]
    assert points.shape[:2] == (n, 34)
    world_mm = measurement.track.world_m * 1000
    seen = np.isfinite(world_mm).all(axis=2)
    np.testing.assert_allclose(points[:, :33, :3][seen], world_mm[seen], atol=1e-3)
    np.testing.assert_allclose(others[:, :33][seen], world_mm[seen], atol=1e-3)
    assert (points[:, :33, 3][~seen] == -1).all(), "not seen"
    assert (points[:, :33, 3][seen] >= 0).all()
    angle = points[:, 33, 0][points[:, 33, 3] >= 0]
    assert angle.max() == pytest.approx(measurement.readings[0].peak_deg, abs=0.2)


def test_pixels_where_there_are_no_metres(measurement, tmp_path):
    flat = measurement.track.landmarks_px * (1, 1, np.nan)
    track = dataclasses.replace(measurement.track, landmarks_px=flat, world_m=np.full_like(flat, np.nan))
    (path,) = write_c3d(dataclasses.replace(measurement, track=track), tmp_path / "a.c3d")
    point, others = by_ezc3d(path)
    assert point["UNITS"]["value"] == ["px"]
    elbow = track.landmarks_px[:, Landmark.LEFT_ELBOW, :2]
    np.testing.assert_allclose(others[:, Landmark.LEFT_ELBOW, :2], elbow, atol=1e-3)


def longer(measurement, frames, rate_hz=240.0):
    """The same person for many pictures."""
    track = measurement.track
    again = np.arange(frames) % len(track.time_s)
    long = dataclasses.replace(
        track,
        time_s=np.arange(frames) / rate_hz,
        frame_index=np.arange(frames),
        landmarks_px=track.landmarks_px[again],
        visibility=track.visibility[again],
        world_m=track.world_m[again],
    )
    return dataclasses.replace(measurement, track=long, curves=())


def test_more_frames_than_the_format_counts_are_refused_or_split(measurement, tmp_path):
    # 70,000 frames: 292 s at 240 a second; a writer that does not look keeps 65,535 of them
    long = longer(measurement, 70_000)
    with pytest.raises(UsageError, match="65535"):
        write_c3d(long, tmp_path / "a.c3d")
    assert list(tmp_path.iterdir()) == []
    made = write_c3d(long, tmp_path / "a.c3d", split=True)
    assert [one.name for one in made] == ["a_part1.c3d", "a_part2.c3d"]
    parts = [by_ezc3d(one)[1] for one in made]
    assert sum(len(one) for one in parts) == 70_000
    joined = np.concatenate(parts)[:, Landmark.LEFT_ELBOW]
    np.testing.assert_allclose(joined, long.track.world_m[:, Landmark.LEFT_ELBOW] * 1000, atol=1e-3)


def test_a_last_frame_more_is_one_too_many(measurement, tmp_path, monkeypatch):
    monkeypatch.setattr(c3d_files, "MOST_FRAMES", len(measurement.track.time_s))
    assert len(write_c3d(measurement, tmp_path / "a.c3d")) == 1
    monkeypatch.setattr(c3d_files, "MOST_FRAMES", len(measurement.track.time_s) - 1)
    with pytest.raises(UsageError):
        write_c3d(measurement, tmp_path / "b.c3d")


def test_a_gap_in_time_is_not_drawn_across(measurement, tmp_path):
    track = measurement.track
    kept = np.r_[0:20, 40 : len(track.time_s)]
    names = ("time_s", "frame_index", "landmarks_px", "visibility", "world_m")
    cut = dataclasses.replace(track, **{name: getattr(track, name)[kept] for name in names})
    (path,) = write_c3d(dataclasses.replace(measurement, track=cut), tmp_path / "a.c3d")
    _, _, points = by_c3d(path)
    assert len(points) == len(track.time_s)
    hip = points[:, Landmark.LEFT_HIP, 3]
    assert (hip[21:39] == -1).all()
    assert (hip[:20] >= 0).all()
    assert (hip[40:] >= 0).all()


def test_json_lines(measurement, tmp_path):
    path = write_json_lines(measurement, tmp_path / "a.jsonl")
    head, *lines = [json.loads(line) for line in path.read_text().splitlines()]
    assert head["schema"] == "vision-rom/frames/1"
    assert len(lines) == len(measurement.track.time_s)
    elbow = head["landmarks"].index("left_elbow")
    assert lines[7]["px"][elbow] == pytest.approx(measurement.track.landmarks_px[7, Landmark.LEFT_ELBOW], abs=5e-4)
    assert lines[4]["px"][head["landmarks"].index("nose")] is None
    peak = max(line["angles"]["left_abduction"]["smoothed_deg"] or 0 for line in lines)
    assert peak == pytest.approx(120, abs=0.5)


def test_a_disk_that_fills_while_the_library_writes_is_told(measurement, tmp_path):
    """ezc3d ends without a word where nothing more can be written; a limit on the size of files does the same to it."""
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, hard))
    try:
        with pytest.raises(OutputError, match="cannot be written"):
            write_c3d(measurement, tmp_path / "a.c3d")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert list(tmp_path.iterdir()) == []
