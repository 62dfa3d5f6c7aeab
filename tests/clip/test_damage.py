"""Damaged recordings: all that can be decoded is delivered, the rest is told with its times, and nothing is smeared."""

from __future__ import annotations

import random
import re
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from vision_rom.clip import open_clip
from vision_rom.errors import ClipError

FASTSTART = {"movflags": "faststart"}


def noisy(drawn, count):
    """A painter whose pictures hold so much detail that each takes a good part of the file."""
    textures = np.random.default_rng(5).integers(0, 60, (count, 48, 64, 3)).astype(np.uint8)

    def paint(number):
        picture = drawn.draw(number)
        return np.where(picture == 110, picture + textures[number], picture)

    return paint


@pytest.fixture
def whole(record, drawn):
    """Two seconds with a key picture every half second."""
    return record(
        pictures=60, paint=noisy(drawn, 60), codec_options={"g": "15", "sc_threshold": "0"}, container_options=FASTSTART
    )


def read(path, **options):
    with open_clip(path, **options) as reader:
        frames = list(reader)
    return frames, reader.clip()


@pytest.mark.parametrize("share", [0.4, 0.5, 0.75, 0.9])
def test_a_cut_off_file_is_told_as_such(whole, drawn, share):
    """opencv/opencv #17257: 57 of 120 pictures and no word about it."""
    data = whole.read_bytes()
    whole.write_bytes(data[: int(len(data) * share)])
    frames, clip = read(whole)
    numbers = [drawn.read_number(frame.rgb) for frame in frames]
    assert numbers == list(range(len(numbers)))
    assert 0 < len(numbers) < 60
    assert (clip.frames_declared, clip.duration_declared_s) == (60, pytest.approx(2.0))
    [remark] = [remark for remark in clip.remarks if "cut off" in remark]
    declared_s, ends_s, missing_s = (float(number) for number in re.findall(r"(\d+\.\d+) s", remark))
    assert declared_s == 2.0
    assert ends_s == pytest.approx(clip.duration_s, abs=0.2)
    assert missing_s == pytest.approx(declared_s - ends_s, abs=0.011)


@pytest.mark.parametrize("filler", ["noise", "zeros"])
@pytest.mark.parametrize("threads", [1, 4])
def test_a_hole_in_the_middle_is_told_and_what_is_delivered_is_unharmed(whole, monkeypatch, filler, threads):
    """Every delivered picture equals that of the unharmed file, and both sides of the hole are delivered."""
    monkeypatch.setattr("os.cpu_count", lambda: threads)
    expected = {frame.index: frame.rgb for frame in read(whole)[0]}
    data = bytearray(whole.read_bytes())
    start, length = int(len(data) * 0.6), len(data) // 25
    data[start : start + length] = random.Random(2).randbytes(length) if filler == "noise" else bytes(length)
    whole.write_bytes(data)
    frames, clip = read(whole)
    assert 30 < len(frames) < 60
    assert frames[0].time_s == 0
    assert frames[-1].time_s == pytest.approx(59 / 30)
    for frame in frames:
        np.testing.assert_array_equal(frame.rgb, expected[round(frame.time_s * 30)])
    [remark] = [remark for remark in clip.remarks if "damaged" in remark]
    start_s, end_s = (float(number) for number in re.findall(r"(\d+\.\d+) s", remark)[:2])
    [(gap_start_s, gap_end_s)] = clip.gaps_s
    assert (start_s, end_s) == (pytest.approx(gap_start_s, abs=0.01), pytest.approx(gap_end_s, abs=0.01))
    assert not any("no pictures" in remark for remark in clip.remarks)  # said once is enough


@pytest.mark.parametrize(
    ("name", "codec", "options"),
    [
        ("hole.mkv", "libx264", {"g": "15", "sc_threshold": "0"}),
        ("hole.webm", "libvpx", {"g": "15"}),
        ("hole.ts", "libx264", {"g": "15"}),
    ],
)
def test_a_hole_in_other_containers_is_never_silent(record, drawn, name, codec, options):
    path = record(name, pictures=60, paint=noisy(drawn, 60), codec=codec, codec_options=options)
    data = bytearray(path.read_bytes())
    start, length = int(len(data) * 0.5), len(data) // 20
    data[start : start + length] = random.Random(4).randbytes(length)
    path.write_bytes(data)
    frames, clip = read(path)
    assert 0 < len(frames) < 60
    assert any("damaged" in remark or "no pictures" in remark or "cut off" in remark for remark in clip.remarks)
    assert all(earlier.time_s < later.time_s for earlier, later in pairwise(frames))


def test_damage_to_the_end_is_told(record, drawn):
    """One key picture only: nothing after the damage can be trusted."""
    path = record(pictures=60, paint=noisy(drawn, 60), codec_options={"g": "250"}, container_options=FASTSTART)
    data = bytearray(path.read_bytes())
    start, length = int(len(data) * 0.7), 400
    data[start : start + length] = bytes(length)
    path.write_bytes(data)
    frames, clip = read(path)
    assert 20 < len(frames) < 60
    assert any("to the end" in remark and "built on lost data" in remark for remark in clip.remarks)


def attempt(path):
    try:
        return read(path)
    except ClipError as error:
        return error


@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
@given(st.data())
def test_any_damage_ends_in_pictures_or_in_a_sentence(whole, data):
    """No other error, whatever is overwritten or cut: the times increase and the account is complete."""
    content = bytearray(whole.read_bytes())
    path = whole.with_name("broken.mp4")
    for _ in range(data.draw(st.integers(1, 4))):
        place = data.draw(st.integers(0, len(content) - 1))
        piece = data.draw(st.binary(min_size=1, max_size=40))
        content[place : place + len(piece)] = piece
    path.write_bytes(content[: data.draw(st.integers(len(content) // 4, len(content)))])
    outcome = attempt(path)
    if isinstance(outcome, ClipError):
        assert str(outcome).endswith(".")
        assert "broken.mp4" in str(outcome)
        return
    frames, clip = outcome
    assert all(earlier.time_s < later.time_s for earlier, later in pairwise(frames))
    assert len(frames) + clip.frames_thinned <= clip.frames_decoded
    if clip.frames_declared == 60 and clip.duration_declared_s == pytest.approx(2.0) and len(frames) < 59:
        assert clip.remarks
