"""Reading a picture at places: against a picture whose colours are a linear function of the place."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision_rom.clip.display import Orientation, orient, stored_from_upright
from vision_rom.handover import StoredFrame
from vision_rom.pose.pictures import Grid, RgbPicture, StoredPicture, part_of
from vision_rom.pose.regions import Region, cut_out

AS_THEY_ARE = np.hstack([np.eye(3), np.zeros((3, 1))])
ROWS, COLUMNS = 120, 160
UPRIGHT = Orientation()


def sloping(rows: int = ROWS, columns: int = COLUMNS) -> np.ndarray:
    """Red grows by one a column, green by one a row, blue with both by halves."""
    y, x = np.mgrid[0:rows, 0:columns]
    return np.stack([x, y, (x + y) / 2], axis=-1).astype(np.uint8)


def stored(rgb: np.ndarray, orientation: Orientation = UPRIGHT, part: int = 1) -> StoredPicture:
    """A stored frame whose three planes are an RGB picture's, the last two with fewer rows and columns."""
    height, width = rgb.shape[:2]
    frame = StoredFrame(
        index=0,
        time_s=0.0,
        luma=np.ascontiguousarray(rgb[..., 0]),
        cb=np.ascontiguousarray(rgb[::part, ::part, 1]),
        cr=np.ascontiguousarray(rgb[::part, ::part, 2]),
        rgb_from_codes=AS_THEY_ARE,
        stored_from_upright=stored_from_upright(orientation, width, height)
        if orientation.rotation_deg % 180 == 0
        else stored_from_upright(orientation, height, width),
        width_px=width if orientation.rotation_deg % 180 == 0 else height,
        height_px=height if orientation.rotation_deg % 180 == 0 else width,
    )
    return StoredPicture(frame)


@given(
    st.floats(40, 120), st.floats(40, 80), st.floats(10, 40), st.floats(-math.pi, math.pi), st.sampled_from([8, 31, 64])
)
def test_places_are_where_the_region_says(x, y, side, turn, count):
    """On a sloping picture a colour is its place, so it tells where it was read; rounding is half a level and a 32nd."""
    read = cut_out(RgbPicture(sloping()), Region(x, y, side, turn), count, repeat_edge=True)
    shares = np.stack(np.meshgrid(np.arange(count), np.arange(count)), axis=-1).reshape(-1, 2) / count
    places = Region(x, y, side, turn).to_picture(shares)
    inside = ((places > 0.5) & (places < (COLUMNS - 1.5, ROWS - 1.5))).all(axis=1)
    off = np.abs(read.reshape(-1, 3)[inside, :2] - places[inside])
    assert off.max(initial=0.0) < 0.5 + 2 / 32


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("rotation_deg", [0, 90, 180, 270])
def test_a_stored_picture_is_read_as_if_it_were_upright(rotation_deg, mirrored):
    rng = np.random.default_rng(1)
    rgb = rng.integers(0, 255, (ROWS, COLUMNS, 3), np.uint8)
    orientation = Orientation(rotation_deg, mirrored)
    upright = RgbPicture(orient(rgb, orientation))
    as_stored = stored(rgb, orientation)
    assert (as_stored.width_px, as_stored.height_px) == (upright.width_px, upright.height_px)
    for region in (Region.of_whole(upright.width_px, upright.height_px), Region(50.2, 61.7, 70.0, 0.4)):
        expected = cut_out(upright, region, 64, repeat_edge=True).astype(int)
        found = cut_out(as_stored, region, 64, repeat_edge=True).astype(int)
        # a place on the border between two 32nds may fall to either side
        assert np.abs(found - expected).max() <= 8
        assert np.abs(found - expected).mean() < 0.2


def test_colours_of_half_the_size_lie_where_they_were_taken():
    """Every other sample of a sloping picture, read at whole pixels: the same slope, half a row lower as H.264 has it."""
    picture = stored(sloping(), part=2)
    read = picture.read(Grid((10.0, 10.0), (1.0, 0.0), (0.0, 1.0), 50, 50), repeat_edge=True).astype(float)
    y, x = np.mgrid[10:60, 10:60]
    np.testing.assert_array_equal(read[..., 0], x)
    assert np.abs(read[..., 1] - (y - 0.5)).max() <= 0.5 + 1 / 16


def test_beyond_the_picture_it_is_black():
    limited = np.array([[1.164, 0.0, 1.793, -248.1], [1.164, -0.213, -0.533, 76.9], [1.164, 2.112, 0.0, -289.0]])
    white = StoredFrame(
        0, 0.0, *(np.full((8, 8), code, np.uint8) for code in (235, 128, 128)), limited, np.eye(2, 3), 8, 8
    )
    read = StoredPicture(white).read(Grid((-4.0, 0.0), (1.0, 0.0), (0.0, 1.0), 12, 8), repeat_edge=False)
    assert read[:, :3].max() <= 1
    assert read[:, 5:].min() >= 254
    assert StoredPicture(white).brightness() == pytest.approx(255, abs=1)


def test_a_part_is_that_part():
    rgb = sloping()
    np.testing.assert_array_equal(part_of(RgbPicture(rgb), 10, 20, 60, 90).rgb, rgb[20:90, 10:60])
    np.testing.assert_array_equal(part_of(stored(rgb), 10, 20, 60, 90).rgb, rgb[20:90, 10:60])


def test_brightness_is_the_mean_of_green():
    rgb = np.random.default_rng(2).integers(0, 255, (ROWS, COLUMNS, 3), np.uint8)
    assert RgbPicture(rgb).brightness() == pytest.approx(rgb[..., 1].mean(), abs=6)
    assert stored(rgb).brightness() == pytest.approx(RgbPicture(rgb).brightness(), abs=0.5)
