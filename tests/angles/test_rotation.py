from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision_rom.angles import ForearmLength, forearm_of_track, learn_forearm_length, rotation_curve
from vision_rom.handover import MIRRORED_LANDMARKS, Landmark

TRUE_LENGTH = ForearmLength(per_trunk=0.146 / 0.288, sd_per_trunk=0.0, seen_per_trunk=0.146 / 0.288)
CAMERA = {"picture_px": (720, 1000), "focal_px": 900.0}  # the drawn camera's axis and focal length
TEST = np.concatenate([np.full(15, 0.0), np.linspace(0, 70, 45), np.full(20, 70.0), np.linspace(70, -60, 60)])


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("facing", [0, 12, -20])
def test_known_rotation_through_a_far_camera(draw, side, facing):
    seen = draw(rotation_deg=TEST, side=side, facing_deg=facing, distance_m=None)
    out = rotation_curve(seen.px, side=side, facing_deg=facing, world_m=seen.world_m, forearm=TRUE_LENGTH)
    np.testing.assert_allclose(out.angle_deg, TEST, atol=0.01)
    np.testing.assert_allclose(out.elbow_flexion_deg, 90, atol=1e-6)
    np.testing.assert_allclose(out.arm_to_trunk_deg, 0, atol=1e-6)


def test_a_near_camera_shifts_the_forearm_and_that_is_taken_out(draw):
    seen = draw(rotation_deg=TEST, distance_m=3.0)
    plain = rotation_curve(seen.px, side="left", forearm=TRUE_LENGTH).angle_deg
    mended = rotation_curve(seen.px, side="left", forearm=TRUE_LENGTH, **CAMERA).angle_deg
    assert 3 < plain[0] < 6, "0.2 m off the axis and 0.26 m nearer at 3 m"
    assert abs(mended[0]) < 0.5
    np.testing.assert_allclose(mended, TEST, atol=3.0)
    # a focal length wrong by a fifth leaves about a fifth of the shift
    rough = rotation_curve(seen.px, side="left", forearm=TRUE_LENGTH, picture_px=(720, 1000), focal_px=720.0).angle_deg
    assert abs(rough[0]) < 0.35 * plain[0]


def test_past_the_side_the_depth_decides(draw):
    past = np.linspace(60, 110, 40)
    seen = draw(rotation_deg=past, distance_m=None)
    known = rotation_curve(seen.px, side="left", world_m=seen.world_m, forearm=TRUE_LENGTH).angle_deg
    blind = rotation_curve(seen.px, side="left", forearm=TRUE_LENGTH).angle_deg
    np.testing.assert_allclose(known[np.abs(past - 90) > 5], past[np.abs(past - 90) > 5], atol=0.5)
    assert blind.max() <= 90.0


def test_one_wrong_depth_does_not_flip_a_frame(draw):
    seen = draw(rotation_deg=np.full(30, 70.0), distance_m=None)
    world = seen.world_m.copy()
    world[15, Landmark.LEFT_WRIST, 2] = world[15, Landmark.LEFT_ELBOW, 2] + 0.2
    out = rotation_curve(seen.px, side="left", world_m=world, forearm=TRUE_LENGTH).angle_deg
    np.testing.assert_allclose(out, 70, atol=0.01)


@pytest.mark.parametrize(("elbow", "kept"), [(90, True), (70, True), (110, True), (45, False), (135, False)])
def test_elbow_away_from_a_right_angle_is_not_measured(draw, elbow, kept):
    seen = draw(rotation_deg=np.full(5, 20.0), elbow_deg=elbow, distance_m=None)
    out = rotation_curve(seen.px, side="left", forearm=TRUE_LENGTH)
    np.testing.assert_allclose(out.elbow_flexion_deg, elbow, atol=0.1)
    assert out.elbow_kept.all() == kept
    assert np.isfinite(out.angle_deg).all() == kept
    if kept:
        np.testing.assert_allclose(out.angle_deg, 20, atol=0.1)


def test_raised_upper_arm_is_not_rotation_at_the_side(draw):
    out = rotation_curve(draw(elevation_deg=np.full(5, 60.0)).px, side="left", forearm=TRUE_LENGTH)
    assert not out.arm_kept.any()
    assert np.isnan(out.angle_deg).all()


def test_length_is_learned_from_a_clip_that_shows_it(draw):
    seen = draw(rotation_deg=TEST, distance_m=None)
    forearm = forearm_of_track(seen.track(), side="left")
    assert forearm.per_trunk == pytest.approx(0.507, rel=0.03)
    assert 0 < forearm.sd_per_trunk < 0.05


def test_an_unusual_body_is_followed_where_the_clip_shows_it_and_not_where_it_does_not():
    trunk, upper = np.full(100, 100.0), np.full(100, 62.0)
    shown = learn_forearm_length(np.linspace(5, 60, 100), upper, trunk)
    assert 0.56 < shown.per_trunk < 0.63
    hidden = learn_forearm_length(np.linspace(5, 12, 100), upper, trunk)
    assert 0.42 < hidden.per_trunk < 0.52
    assert hidden.sd_per_trunk > 1.5 * shown.sd_per_trunk
    unseen = learn_forearm_length(np.full(3, np.nan), upper[:3], trunk[:3])
    assert unseen.per_trunk == pytest.approx((0.507 + 0.785 * 0.62) / 2)
    assert np.isnan(unseen.seen_per_trunk)


def test_a_few_impossible_lengths_do_not_count():
    length = np.linspace(5, 50, 200)
    wild = length.copy()
    wild[::40] = 140.0
    upper, trunk = np.full(200, 62.0), np.full(200, 100.0)
    assert learn_forearm_length(wild, upper, trunk).per_trunk == pytest.approx(
        learn_forearm_length(length, upper, trunk).per_trunk, rel=0.01
    )


@settings(max_examples=40, deadline=None)
@given(rotation=st.floats(-60, 75), roll=st.floats(-25, 25), scale=st.floats(0.3, 3), facing=st.floats(-20, 20))
def test_mirror_roll_and_size(draw, rotation, roll, scale, facing):
    if abs(rotation + facing) > 85:
        return
    plain = draw(rotation_deg=np.full(3, rotation), facing_deg=facing, distance_m=None)
    moved = draw(rotation_deg=np.full(3, rotation), facing_deg=facing, roll_deg=roll, scale=scale, distance_m=None)
    base = rotation_curve(plain.px, side="left", facing_deg=facing, forearm=TRUE_LENGTH).angle_deg
    again = rotation_curve(moved.px, side="left", facing_deg=facing, forearm=TRUE_LENGTH).angle_deg
    np.testing.assert_allclose(again, base, atol=1e-4)
    mirrored = plain.px[:, list(MIRRORED_LANDMARKS)] * [-1, 1, 1]
    other = rotation_curve(mirrored, side="right", facing_deg=-facing, forearm=TRUE_LENGTH).angle_deg
    np.testing.assert_allclose(other, base, atol=1e-6)
