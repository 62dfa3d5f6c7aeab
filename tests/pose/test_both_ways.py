"""Pictures looked at as they are and in a mirror, and the two brought together."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision_rom.clip import open_clip
from vision_rom.handover import MIRRORED_LANDMARKS, Landmark
from vision_rom.pose.both_ways import IN_TURNS_S, Turns, completed
from vision_rom.pose.landmarker import Landmarker
from vision_rom.pose.pictures import RgbPicture
from vision_rom.pose.settings import PoseSettings

ARMS_AND_TRUNK = [
    Landmark.of(side, part) for part in ("shoulder", "elbow", "wrist", "hip") for side in ("left", "right")
]


def ways_of(times):
    turns = Turns()
    return [turns.next(time_s) for time_s in times]


def test_near_pictures_take_turns_and_far_ones_are_seen_in_both_ways():
    assert ways_of([0.0, 1 / 30, 2 / 30, 3 / 30]) == ["both", "as it is", "mirrored", "as it is"]
    assert ways_of([0.0, 1 / 15, 2 / 15]) == ["both"] * 3
    assert ways_of([0.0, 0.03, 0.2, 0.23, 0.26]) == ["both", "as it is", "both", "mirrored", "as it is"]


@given(
    jitter=st.lists(st.floats(-0.01, 0.01), min_size=30, max_size=30),
    slope=st.floats(-50, 50),
    bias=st.floats(-5, 5),
)
def test_an_error_that_changes_sides_in_the_mirror_cancels_on_an_even_movement(jitter, slope, bias):
    """Truth by arithmetic: truth a + b t, read with + bias as it is and - bias mirrored; inner pictures come out true."""
    time_s = np.arange(30) / 30 + np.array(jitter) * 0.5
    ways = ["mirrored" if index % 2 else "as it is" for index in range(30)]
    truth = 100 + slope * time_s
    read = truth + np.where(np.arange(30) % 2, -bias, bias)
    found = completed(time_s, ways, read[:, None])[:, 0]
    near = np.diff(time_s) <= IN_TURNS_S
    inner = np.flatnonzero(near[:-1] & near[1:]) + 1
    np.testing.assert_allclose(found[inner], truth[inner], atol=1e-9)


def test_ends_and_gaps():
    """The first is completed by the second alone; beside a gap, by the one neighbour; alone, not at all; NaN stays NaN."""
    time_s = np.array([0.0, 0.03, 0.06, 0.09, 0.12, 0.5])
    ways = ["as it is", "mirrored", "as it is", "mirrored", "as it is", "as it is"]
    values = np.array([1.0, 3.0, 1.0, np.nan, 1.0, 7.0])
    np.testing.assert_allclose(completed(time_s, ways, values[:, None])[:, 0], [2, 2, 2, np.nan, 1, 7])


def test_pictures_seen_in_both_ways_stay():
    time_s = np.arange(4) * 0.1
    values = np.arange(8.0).reshape(4, 2)
    np.testing.assert_array_equal(completed(time_s, ["both"] * 4, values), values)


def test_shape_and_input_stay():
    values = np.random.default_rng(1).normal(size=(6, 33, 3))
    before = values.copy()
    assert completed(np.arange(6) / 30, ["as it is", "mirrored"] * 3, values).shape == values.shape
    np.testing.assert_array_equal(values, before)
    assert completed(np.zeros(0), [], np.zeros((0, 33))).shape == (0, 33)


@pytest.fixture(scope="module")
def picture(sample_clips):
    with open_clip(sample_clips / "pose_1.mp4") as reader:
        return next(frame.rgb for frame in reader if frame.index == 20)


def looked(rgb, way):
    landmarker = Landmarker(PoseSettings())
    landmarker.way = way
    return landmarker.look(RgbPicture(np.ascontiguousarray(rgb)))


def test_mirrored_look_names_the_same_points(picture):
    """The person's own left stays left, in pixels and metres, within the network's want of symmetry (1 % of the width)."""
    plain, mirrored = looked(picture, "as it is"), looked(picture, "mirrored")
    off_px = np.linalg.norm((plain.landmarks_px - mirrored.landmarks_px)[0, ARMS_AND_TRUNK, :2], axis=-1)
    assert 0 < off_px.max() < 0.01 * picture.shape[1]
    assert np.linalg.norm((plain.world_m - mirrored.world_m)[0, ARMS_AND_TRUNK, :2], axis=-1).max() < 0.08
    assert (plain.way, mirrored.way) == ("as it is", "mirrored")


def test_both_is_the_mean_of_the_two(picture):
    plain, mirrored, both = (looked(picture, way) for way in ("as it is", "mirrored", "both"))
    np.testing.assert_allclose(both.landmarks_px, (plain.landmarks_px + mirrored.landmarks_px) / 2, atol=1e-3)
    np.testing.assert_allclose(both.world_m, (plain.world_m + mirrored.world_m) / 2, atol=1e-5)
    np.testing.assert_allclose(both.visibility, (plain.visibility + mirrored.visibility) / 2, atol=1e-6)


def test_a_mirrored_picture_seen_in_both_ways_gives_the_mirrored_person(picture):
    """Relation that holds exactly but for rounding: what is left of the network's handedness is none. Same region in both."""
    landmarker = Landmarker(PoseSettings())
    landmarker.way = "both"
    straight = RgbPicture(np.ascontiguousarray(picture))
    turned = RgbPicture(np.ascontiguousarray(picture[:, ::-1]))
    region = landmarker.regions(straight)[0]
    # columns c of the cut-out become 255 - c when the region is mirrored about the picture's last column
    step = region.side_px / 256
    beyond = replace(region, x_px=picture.shape[1] - 1 - region.x_px + step, turn_rad=-region.turn_rad)
    people, mirrored = landmarker.look_in(straight, [region]), landmarker.look_in(turned, [beyond])
    back = mirrored.world_m[0][list(MIRRORED_LANDMARKS)] * (-1, 1, 1)
    np.testing.assert_allclose(back[ARMS_AND_TRUNK], people.world_m[0][ARMS_AND_TRUNK], atol=0.01)
