"""Pictures as their file stores them: the same pictures as converted ones, colours and turn left to whoever looks."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from vision_rom.clip import open_clip
from vision_rom.clip.display import Orientation, orient, stored_from_upright
from vision_rom.handover import Frame, StoredFrame
from vision_rom.pose.pictures import part_of, picture_of

ONE = 1 << 16
TURNS = {90: (0, 1, -1, 0), 180: (-1, 0, 0, -1), 270: (0, -1, 1, 0)}


def both_ways(path, **options):
    with open_clip(path, **options) as reader:
        converted = list(reader)
    with open_clip(path, **options) as reader:
        stored = list(reader.as_stored())
    return converted, stored


def assert_alike(converted, stored, *, mean=1.5):
    """Alike but for the colours' edges, which the two ways place a fraction of a pixel apart."""
    assert [one.index for one in stored] == [one.index for one in converted]
    assert [one.time_s for one in stored] == [one.time_s for one in converted]
    for ours, theirs in zip(stored, converted, strict=True):
        assert isinstance(ours, StoredFrame)
        assert (ours.height_px, ours.width_px, 3) == theirs.rgb.shape
        rgb = part_of(picture_of(ours), 0, 0, ours.width_px, ours.height_px).rgb.astype(int)
        assert np.abs(rgb - theirs.rgb).mean() < mean


@pytest.mark.parametrize("name", ["pose_1", "abduction_both", "flexion_right"])
def test_a_recording_is_the_same_both_ways(sample_clips, name):
    converted, stored = both_ways(sample_clips / f"{name}.mp4", wanted_rate_hz=3.0)
    assert_alike(converted, stored, mean=1.0)
    for ours, theirs in zip(stored, converted, strict=True):
        assert picture_of(ours).brightness() == pytest.approx(picture_of(theirs).brightness(), abs=1.0)


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("turn_deg", TURNS)
def test_turned_and_flipped(record, turn_deg, mirrored):
    a, b, c, d = TURNS[turn_deg]
    matrix = [a * ONE, b * ONE, 0, c * ONE, d * ONE, 0, 0, 0, 1 << 30]
    path = record(pictures=2, display_matrix=matrix)
    assert_alike(*both_ways(path, mirrored=mirrored), mean=4.0)


@pytest.mark.parametrize("pix_fmt", ["yuv420p", "yuv422p", "yuv444p", "yuvj420p", "yuv420p10le"])
def test_formats(record, pix_fmt):
    assert_alike(*both_ways(record(pictures=2, pix_fmt=pix_fmt)), mean=4.0)


def test_large_ones_are_reduced_and_oblong_pixels_stretched(record):
    assert_alike(*both_ways(record(pictures=2), longest_side_px=32), mean=4.0)
    assert_alike(*both_ways(record(pictures=2, tags={"sample_aspect_ratio": Fraction(4, 3)})), mean=4.0)


def test_colours_that_need_more_come_converted(record):
    path = record(pictures=2, codec="png", pix_fmt="rgb24", name="rgb.mov")
    converted, stored = both_ways(path)
    assert all(isinstance(one, Frame) for one in stored)
    np.testing.assert_array_equal(stored[1].rgb, converted[1].rgb)


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("turn_deg", [0, 90, 180, 270])
def test_every_upright_pixel_is_picked_from_where_it_is_stored(turn_deg, mirrored):
    picture = np.arange(5 * 7 * 3, dtype=np.uint8).reshape(5, 7, 3)
    upright = orient(picture, Orientation(turn_deg, mirrored))
    height, width = upright.shape[:2]
    affine = stored_from_upright(Orientation(turn_deg, mirrored), width, height)
    y, x = np.mgrid[0:height, 0:width]
    column, row = (affine @ np.stack([x.ravel(), y.ravel(), np.ones(x.size)])).astype(int)
    np.testing.assert_array_equal(picture[row, column].reshape(upright.shape), upright)
