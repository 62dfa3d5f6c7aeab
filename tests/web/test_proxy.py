"""The copy that browsers play shows the very pictures that were measured, at their times."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest

from vision_rom.clip import open_clip
from vision_rom.handover import Clip
from vision_rom.synthetic.encode import uneven_times_s, write_clip
from vision_rom.web.proxy import plays_as_it_is, write_playable

PICTURES = 24


def shades(width: int = 96, height: int = 64) -> list[np.ndarray]:
    """Pictures that are told apart by their light, with a bright top left corner to tell which way is up."""
    made = []
    for number in range(PICTURES):
        picture = np.full((height, width, 3), 20 + 8 * number, np.uint8)
        picture[: height // 4, : width // 4] = 255
        made.append(picture)
    return made


def facts(path: Path, **options: Any) -> tuple[Clip, list[float], list[np.ndarray]]:
    with open_clip(path, **options) as reader:
        frames = list(reader)
        return reader.clip(), [one.time_s for one in frames], [one.rgb for one in frames]


@pytest.mark.parametrize("rotation_deg", [0, 90, 180, 270])
@pytest.mark.parametrize("uneven", [False, True])
def test_every_picture_keeps_its_time_and_stands_upright(tmp_path: Path, rotation_deg: int, uneven: bool) -> None:
    source, copy = tmp_path / "phone.mov", tmp_path / "playable.mp4"
    times = uneven_times_s(PICTURES, 30.0, np.random.default_rng(1)) if uneven else np.arange(PICTURES) / 30
    write_clip(source, shades(), times, crf=8, rotation_deg=rotation_deg)
    write_playable(source, copy, rate_hz=None)
    _, before, first = facts(source, wanted_rate_hz=None)
    clip, after, second = facts(copy, wanted_rate_hz=None)
    assert after == pytest.approx(before, abs=2e-5)
    assert plays_as_it_is(clip)
    for one, other in zip(first, second, strict=True):
        assert one.shape == other.shape
        assert np.abs(one.astype(int) - other.astype(int)).mean() < 3


def test_only_the_measured_pictures_are_in_it(tmp_path: Path) -> None:
    source, copy = tmp_path / "fast.mp4", tmp_path / "playable.mp4"
    write_clip(source, shades(), np.arange(PICTURES) / 60, crf=8)
    write_playable(source, copy, rate_hz=30.0)
    _, measured, _ = facts(source, wanted_rate_hz=30.0)
    _, shown, _ = facts(copy, wanted_rate_hz=None)
    assert len(measured) == PICTURES // 2
    assert shown == pytest.approx(measured, abs=2e-5)


def test_a_large_picture_is_made_smaller_and_a_mirrored_one_is_turned_back(tmp_path: Path) -> None:
    source, copy = tmp_path / "large.mp4", tmp_path / "playable.mp4"
    write_clip(source, shades(1600, 1200), np.arange(PICTURES) / 30, crf=20, preset="ultrafast")
    write_playable(source, copy, mirrored=True)
    clip, _, pictures = facts(copy)
    assert (clip.width_px, clip.height_px) == (1280, 960)
    assert pictures[0][100, 1270].min() > 240 > pictures[0][100, 10].max()


def test_what_is_not_surely_played_is_copied(tmp_path: Path) -> None:
    plain = tmp_path / "plain.mp4"
    write_clip(plain, shades(), np.arange(PICTURES) / 30)
    assert plays_as_it_is(facts(plain)[0])
    turned = tmp_path / "turned.mp4"
    write_clip(turned, shades(), np.arange(PICTURES) / 30, rotation_deg=90)
    assert not plays_as_it_is(facts(turned)[0])
    assert not plays_as_it_is(facts(plain, mirrored=True)[0])
    assert not plays_as_it_is(facts(plain, time_factor=0.125)[0])
    moved = tmp_path / "plain.mov"
    moved.write_bytes(plain.read_bytes())
    assert not plays_as_it_is(facts(moved)[0])
    browser = tmp_path / "browser.webm"
    with av.open(str(browser), "w") as container:
        stream = container.add_stream("libvpx", rate=30)
        stream.width, stream.height, stream.pix_fmt = 96, 64, "yuv420p"
        for picture in shades():
            container.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="rgb24")))
        container.mux(stream.encode(None))
    clip, times, _ = facts(browser)
    assert not plays_as_it_is(clip)
    write_playable(browser, tmp_path / "playable.mp4")
    assert facts(tmp_path / "playable.mp4")[1] == pytest.approx(times, abs=2e-5)
