"""Landmarks kept between runs: the same ones come back, or none."""

from __future__ import annotations

import dataclasses
import logging
import os
from pathlib import Path

import numpy as np
import pytest

from vision_rom.handover import Clip, PoseModel, PoseTrack
from vision_rom.pose import PoseSettings, load_cached, store_cached
from vision_rom.pose import cache as cache_module
from vision_rom.pose.landmarker import library_version
from vision_rom.spool import LONG, on_disk, put_away

OPTIONS = {"mirrored": False, "time_factor": 1.0, "rate_hz": None}
SETTINGS = PoseSettings()


def some_clip(**changed) -> Clip:
    clip = Clip(
        path=Path("/somewhere/private/Müller 肩.mp4"),
        sha256="ab" * 32,
        duration_s=2.0,
        frames_decoded=60,
        frame_rate_hz=float("nan"),
        variable_frame_rate=True,
        rotation_deg=90,
        mirrored=False,
        width_px=640,
        height_px=480,
        frames_declared=None,
        gaps_s=((0.5, 0.75), (1.0, 1.5)),
        remarks=("Two pauses.",),
    )
    return dataclasses.replace(clip, **changed)


def some_track(count: int = 5) -> PoseTrack:
    rng = np.random.default_rng(0)
    points = rng.normal(300, 100, (count, 33, 3))
    points[1:2] = np.nan
    return PoseTrack(
        time_s=np.arange(count) / 30,
        frame_index=np.arange(count, dtype=np.int64),
        landmarks_px=points,
        visibility=rng.random((count, 33)),
        world_m=points / 300,
        width_px=640,
        height_px=480,
        model=PoseModel("pose_full", "cd" * 32, "mediapipe 1.2.3"),
        people=np.ones(count, np.int64),
        ambiguous=np.zeros(count, np.bool_),
        exchanged=np.arange(count) == 2,
        between=np.arange(count) == 3,
        remarks=("One remark.",),
    )


def keep(folder: Path, *, clip=None, track=None, settings=SETTINGS, options=OPTIONS) -> bool:
    return store_cached(
        folder, clip=clip or some_clip(), track=track or some_track(), settings=settings, clip_options=options
    )


def look(folder: Path, *, sha256="ab" * 32, settings=SETTINGS, options=OPTIONS):
    return load_cached(folder, clip_sha256=sha256, settings=settings, clip_options=options)


@pytest.mark.parametrize("count", [5, 0])
def test_everything_comes_back(tmp_path, count):
    assert keep(tmp_path / "new" / "folder", track=some_track(count))
    clip, track = look(tmp_path / "new" / "folder")
    expected = some_clip(path=Path("Müller 肩.mp4"))
    for field in dataclasses.fields(Clip):
        np.testing.assert_equal(getattr(clip, field.name), getattr(expected, field.name))
    for field in dataclasses.fields(PoseTrack):
        found, kept = getattr(track, field.name), getattr(some_track(count), field.name)
        np.testing.assert_equal(found, kept)
        assert type(found) is type(kept)
        if isinstance(kept, np.ndarray):
            assert found.dtype == kept.dtype


def test_nothing_was_kept(tmp_path):
    assert look(tmp_path) is None
    assert look(tmp_path / "not there") is None


@pytest.mark.parametrize(
    "changed",
    [
        {"sha256": "ba" * 32},
        {"settings": PoseSettings(model="heavy")},
        {"settings": PoseSettings(person=1)},
        {"settings": PoseSettings(person=(1.0, 2.0))},
        {"settings": PoseSettings(max_people=1)},
        {"options": {**OPTIONS, "mirrored": True}},
        {"options": {**OPTIONS, "rate_hz": 30.0}},
    ],
    ids=str,
)
def test_other_recordings_and_settings_are_kept_apart(tmp_path, changed):
    keep(tmp_path)
    assert look(tmp_path, **changed) is None


def test_another_version_of_the_library_finds_its_own(tmp_path, monkeypatch):
    keep(tmp_path)
    monkeypatch.setattr("vision_rom.pose.landmarker.library_version", lambda: library_version() + ".1")
    assert look(tmp_path) is None


@pytest.mark.parametrize("damage", ["cut", "flip", "empty", "text", "other key"])
def test_a_damaged_file_counts_as_none_and_is_made_anew(tmp_path, damage, caplog):
    keep(tmp_path)
    (file,) = tmp_path.iterdir()
    content = bytearray(file.read_bytes())
    if damage == "cut":
        del content[len(content) // 2 :]
    elif damage == "flip":
        content[len(content) // 3] ^= 0xFF
    elif damage == "empty":
        content.clear()
    elif damage == "text":
        content = bytearray(b"no archive")
    else:
        keep(tmp_path, clip=some_clip(sha256="ef" * 32))
        (other,) = set(tmp_path.iterdir()) - {file}
        content = bytearray(other.read_bytes())
        other.unlink()
    file.write_bytes(content)
    with caplog.at_level(logging.CRITICAL):
        assert look(tmp_path) is None
    assert keep(tmp_path)
    assert look(tmp_path) is not None


def test_arrays_that_do_not_belong_together_count_as_none(tmp_path):
    track = some_track()
    keep(tmp_path, track=dataclasses.replace(track, visibility=track.visibility[:-1]))
    assert look(tmp_path) is None


def test_a_folder_that_cannot_be_written_raises_nothing_and_leaves_nothing(tmp_path, monkeypatch):
    def full(*_arguments, **_options):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("vision_rom.pose.cache._write", full)
    assert not keep(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_a_file_in_the_place_of_the_folder_raises_nothing(tmp_path):
    (tmp_path / "file").write_text("")
    assert not keep(tmp_path / "file")
    assert look(tmp_path / "file") is None


def test_an_interrupted_write_leaves_the_old_file(tmp_path, monkeypatch):
    keep(tmp_path)
    before = {file.name: file.read_bytes() for file in tmp_path.iterdir()}

    def interrupted(*_arguments):
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "replace", interrupted)
    with pytest.raises(KeyboardInterrupt):
        keep(tmp_path)
    assert {file.name: file.read_bytes() for file in tmp_path.iterdir()} == before


def test_where_the_recording_lies_is_not_kept(tmp_path):
    keep(tmp_path)
    (file,) = tmp_path.iterdir()
    with np.load(file) as archive:
        assert b"somewhere" not in bytes(archive["facts"])


@pytest.mark.parametrize("columns", [True, False], ids=["from the disk", "from memory"])
def test_long_landmarks_come_back_onto_the_disk(tmp_path, columns):
    """Those of a long recording lie column by column; files of before, and of tracks in memory, picture by picture."""
    track = some_track(LONG + 100)
    assert keep(tmp_path, track=put_away(track) if columns else track)
    found = look(tmp_path)
    assert found is not None
    for name in ("time_s", "landmarks_px", "visibility", "world_m", "exchanged"):
        there = getattr(found[1], name)
        np.testing.assert_array_equal(there, getattr(track, name))
        assert on_disk(there)
    # any reader of NumPy archives reads the file
    [path] = tmp_path.iterdir()
    with np.load(path) as archive:
        np.testing.assert_array_equal(archive["landmarks_px"], track.landmarks_px)


def test_a_long_file_that_ends_too_early_is_as_good_as_none(tmp_path, monkeypatch):
    real = cache_module._write

    def short(member, values):
        if values.ndim < 3:
            real(member, values)
            return
        np.lib.format.write_array_header_1_0(member, np.lib.format.header_data_from_array_1_0(values))
        member.write(values[: LONG // 2].tobytes())

    monkeypatch.setattr(cache_module, "_write", short)
    assert keep(tmp_path, track=some_track(LONG))
    assert look(tmp_path) is None
