"""Long arrays on the disk: the same numbers, nothing left behind, little memory."""

from __future__ import annotations

import gc
import mmap
import os
import subprocess
import sys
import tracemalloc
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from vision_rom import spool
from vision_rom.angles import camera_tilt
from vision_rom.handover import Clip, PoseTrack
from vision_rom.pose.sides import keep_sides
from vision_rom.pose.tracking import _PerPerson, _Sightings
from vision_rom.readings import measure_landmarks

LONG = spool.LONG


@dataclass(frozen=True)
class Inner:
    values: np.ndarray


@dataclass(frozen=True)
class Outer:
    inner: Inner
    again: np.ndarray
    short: np.ndarray
    words: tuple[str, ...]


def no_room(*_arguments, **_options):
    raise OSError(28, "No space left on device")


@pytest.mark.parametrize("shape", [(LONG,), (LONG + 7, 33, 3)])
@pytest.mark.parametrize("dtype", [np.float64, np.float32, np.bool_, np.int64])
def test_a_long_array_on_the_disk_holds_the_same(shape, dtype):
    values = np.random.default_rng(1).normal(0, 9, shape).astype(dtype)
    there = spool.put_away(Inner(values)).values
    assert spool.on_disk(there)
    assert not spool.on_disk(values)
    spool.let_go()
    np.testing.assert_array_equal(there, values)
    assert there.dtype == values.dtype


def test_dataclasses_keep_their_shape_and_an_array_that_is_shared():
    values = np.arange(LONG) / 3.0
    old = Outer(Inner(values), values, np.arange(5), ("a",))
    new = spool.put_away(old)
    assert new.inner.values is new.again
    assert new.short is old.short
    assert new.words is old.words
    # what lies there already is not copied again
    assert spool.put_away(new) is new
    part = new.again[10 : LONG - 5]
    assert spool.on_disk(part)


def test_short_arrays_stay_in_memory():
    assert not spool.on_disk(spool.empty((LONG - 1, 33, 3)))


def test_without_room_on_the_disk_arrays_stay_in_memory(monkeypatch):
    monkeypatch.setattr(spool, "_reserve", no_room)
    there = spool.put_away(Inner(np.arange(LONG) / 7.0)).values
    assert not spool.on_disk(there)
    np.testing.assert_array_equal(there, np.arange(LONG) / 7.0)


def test_the_file_has_no_name_and_goes_with_its_last_array(tmp_path, monkeypatch):
    monkeypatch.setattr(spool, "_folder", lambda: str(tmp_path))
    there = spool.empty((LONG, 33, 3))
    there[:] = 1.0
    assert not any(tmp_path.iterdir())
    maps = Path("/proc/self/maps")
    if maps.exists():
        assert str(tmp_path) in maps.read_text()
        part = there[5:9, 3]
        del there
        gc.collect()
        assert str(tmp_path) in maps.read_text()
        del part
        gc.collect()
        assert str(tmp_path) not in maps.read_text()


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="the system does not tell a process's memory")
def test_what_was_read_is_given_back():
    program = (
        "import numpy as np\n"
        "from vision_rom import spool\n"
        "def resident():\n"
        "    lines = open('/proc/self/status').read().splitlines()\n"
        "    return next(int(line.split()[1]) for line in lines if line.startswith('VmRSS'))\n"
        "before = resident()\n"
        "there = spool.empty((20_000, 33, 33))\n"
        "for rows in spool.blocks(len(there)):\n"
        "    there[rows] = 1.0\n"
        "most = 0\n"
        "for rows in spool.blocks(len(there)):\n"
        "    assert there[rows].sum() == there[rows].size\n"
        "    most = max(most, resident())\n"
        "print(most - before)\n"
    )
    said = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True, env=os.environ)
    # 170 MB in all, 36 MB a block, and what the system reads ahead
    assert int(said.stdout) / 1024 < 110


def test_sightings_are_the_same_on_the_disk_and_without_it(monkeypatch):
    from vision_rom.pose import tracking
    from vision_rom.pose.landmarker import People

    random = np.random.default_rng(3)
    counts = random.integers(0, 3, 400)
    pictures = [
        People(
            *(random.normal(0, 1, (k, *shape)).astype(np.float32) for shape in ((33, 3), (33,), (33, 3))), regions=()
        )
        for k in counts
    ]
    choice = np.array([int(random.integers(0, k)) if k else -1 for k in counts])

    def found():
        seen = _Sightings()
        for one in pictures:
            seen.add(one)
        np.testing.assert_array_equal(seen.counts, counts)
        return seen.of(choice)

    in_memory = found()
    monkeypatch.setattr(tracking, "_HELD", 7 * 33 * 20)
    on_disk = found()
    monkeypatch.setattr(tracking, "temporary_file", no_room)
    without_room = found()
    for kind, (one, other, third) in enumerate(zip(in_memory, on_disk, without_room, strict=True)):
        np.testing.assert_array_equal(one, other)
        np.testing.assert_array_equal(one, third)
        for row, (people, chosen) in enumerate(zip(pictures, choice, strict=True)):
            wanted = (people.landmarks_px, people.visibility, people.world_m)[kind]
            if chosen >= 0:
                np.testing.assert_array_equal(one[row], wanted[chosen])
            else:
                assert np.isnan(one[row]).all()


def test_numbers_of_people_come_back_picture_by_picture():
    kept = _PerPerson(4, 2)
    pictures = [np.full((k, 4, 2), float(k), np.float32) for k in (2, 0, 1)]
    for one in pictures:
        kept.add(one)
    assert len(kept) == 3
    for one, other in zip(kept, pictures, strict=True):
        np.testing.assert_array_equal(one, other)
    with pytest.raises(IndexError):
        kept[3]


def repeated(track: PoseTrack, pictures: int) -> PoseTrack:
    """The first ten seconds over and over."""
    rows = np.arange(pictures) % 300
    jitter = np.random.default_rng(2).normal(0, 0.3, (pictures, 1, 3))
    # a field at a time, so that only one copy is held
    long = replace(track, time_s=np.arange(pictures) / 30.0, frame_index=np.arange(pictures))
    long = replace(long, landmarks_px=track.landmarks_px[rows] + jitter, exchanged=np.zeros(pictures, bool))
    return spool.put_away(replace(long, visibility=track.visibility[rows], world_m=track.world_m[rows]))


def clip_of(track: PoseTrack) -> Clip:
    count = len(track.time_s)
    return Clip(Path("long.mp4"), "0" * 64, count / 30.0, count, 30.0, False, 0, False, track.width_px, track.height_px)


def bytes_a_picture(work, track: PoseTrack) -> float:
    """By the interpreter's own count, which sees NumPy's arrays and no mapped file: what of the peak grows with the length.

    The landmarks count too: they are there all the while.
    """

    def peak(pictures):
        tracemalloc.start()
        long = repeated(track, pictures)
        gc.collect()
        tracemalloc.reset_peak()
        work(long)
        most = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return most

    peak(400)  # what is loaded and kept the first time
    few, many = LONG, 2 * LONG
    return (peak(many) - peak(few)) / (many - few)


def test_measuring_takes_little_memory_for_a_picture(kept_examination, monkeypatch):
    # what the phone's tilt is told from has a bound of its own, beyond what is compared here
    monkeypatch.setattr(camera_tilt, "_MOST_PICTURES", 500)

    def measure(track):
        return measure_landmarks(clip_of(track), track, movement="abduction", side="both", method="picture")

    assert bytes_a_picture(measure, kept_examination) < 350


def test_keeping_sides_takes_little_memory_for_a_picture(kept_examination):
    def keep(track):
        return keep_sides(track.time_s, track.landmarks_px, track.visibility, track.world_m)

    assert bytes_a_picture(keep, kept_examination) < 350


def test_a_long_recording_measures_as_it_does_in_memory(kept_examination, monkeypatch):
    track = repeated(kept_examination, LONG + 200)
    assert spool.on_disk(track.landmarks_px)
    measured = [measure_landmarks(clip_of(track), track, movement="abduction", side="left", method="picture")]
    monkeypatch.setattr(spool, "LONG", 1 << 40)
    arrays = {name: np.array(getattr(track, name)) for name in ("time_s", "landmarks_px", "visibility", "world_m")}
    measured.append(
        measure_landmarks(clip_of(track), replace(track, **arrays), movement="abduction", side="left", method="picture")
    )
    on_disk, in_memory = (one.readings[0] for one in measured)
    assert spool.on_disk(measured[0].curves[0].source.angle_deg)
    assert not spool.on_disk(measured[1].curves[0].source.angle_deg)
    assert on_disk.status == in_memory.status
    assert len(on_disk.repetitions) == len(in_memory.repetitions)
    np.testing.assert_allclose(
        measured[0].curves[0].angle_deg, measured[1].curves[0].angle_deg, atol=1e-9, equal_nan=True
    )


def test_a_system_without_the_advice_does_without(monkeypatch):
    monkeypatch.delattr(mmap, "MADV_DONTNEED", raising=False)
    there = spool.empty((LONG,))
    there[:] = 2.0
    spool.let_go()
    assert there.sum() == 2.0 * LONG
