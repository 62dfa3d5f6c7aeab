"""The curve by a network that gives a direction we chose: what is asked, what is refused, which sign it has."""

from __future__ import annotations

import tracemalloc
from dataclasses import replace

import numpy as np
import pytest

from vision_rom.angles import angle_curve, find_view
from vision_rom.angles import learned_curve as module
from vision_rom.angles.arm_features import arm_features
from vision_rom.angles.arm_network import ArmNetwork
from vision_rom.angles.learned_curve import Arms, learned_curve

EXPECTED_SD_DEG = 3.0
LATERAL, FORWARD, DOWN = np.array([1.0, 0, 0]), np.array([0, -1.0, 0]), np.array([0, 0, -1.0])


def saying(upper_arm, forearm, n_features):
    """A network of one linear layer that ignores what it sees."""
    bias = np.concatenate([upper_arm, forearm, np.log([EXPECTED_SD_DEG, 2 * EXPECTED_SD_DEG])])
    return ArmNetwork(np.zeros(n_features), np.ones(n_features), (((np.zeros((8, n_features)), bias),),))


def direction(elevation_deg, plane_deg):
    e, p = np.radians(elevation_deg), np.radians(plane_deg)
    return np.sin(e) * (np.cos(p) * LATERAL + np.sin(p) * FORWARD) + np.cos(e) * DOWN


def read(seen, upper_arm, forearm=FORWARD, *, side="left", kind="elevation", plane="frontal", sign=1):
    track = seen.track(width_px=720, height_px=1000)
    # the network looks at hands too, which are not drawn
    track = replace(track, landmarks_px=np.nan_to_num(track.landmarks_px), world_m=np.nan_to_num(track.world_m))
    view = find_view(track.landmarks_px, track.visibility, track.world_m, network="")
    what = {"movement": "m", "kind": kind, "direction": sign, "plane": plane, "side": side, "view": view}
    features = arm_features(track.landmarks_px, track.visibility, track.world_m, side=side, picture_px=(720, 1000))
    network = saying(upper_arm, forearm, features.shape[1])
    return learned_curve(track, Arms(track, network), angle_curve(track, **what), **what)


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("elevation", [10, 90, 172])
def test_elevation_from_the_front_is_the_networks(draw, side, elevation):
    out = read(draw(elevation_deg=[40.0] * 20, side=side), direction(elevation, 20), side=side)
    np.testing.assert_allclose(out.curve.angle_deg, elevation, atol=1e-6)
    np.testing.assert_allclose(out.expected_sd_deg, EXPECTED_SD_DEG, rtol=1e-6)
    # the vertical-referenced value stays the picture's
    np.testing.assert_allclose(out.curve.vertical_deg, 40, atol=2)


@pytest.mark.parametrize(("plane", "sign", "wanted"), [(90, 1, 50), (-90, 1, -50), (-90, -1, 50), (90, -1, -50)])
def test_forward_and_backward_have_signs(draw, plane, sign, wanted):
    seen = draw(elevation_deg=[30.0] * 20, azimuth_deg=90, facing_deg=-90)
    out = read(seen, direction(50, plane), plane="sagittal", sign=sign)
    np.testing.assert_allclose(out.curve.angle_deg, wanted, atol=1e-6)


def test_overhead_there_is_no_backward(draw):
    seen = draw(elevation_deg=[150.0] * 20, azimuth_deg=90, facing_deg=-90)
    out = read(seen, direction(170, -90), plane="sagittal")
    np.testing.assert_allclose(out.curve.angle_deg, 170, atol=1e-6)


def test_far_arm_is_refused(draw):
    seen = draw(elevation_deg=[30.0] * 20, azimuth_deg=90, facing_deg=-90, side="right")
    out = read(seen, direction(50, 90), side="right", plane="sagittal")
    assert np.isnan(out.curve.angle_deg).all()
    assert np.isnan(out.expected_sd_deg).all()
    assert "far side" in out.curve.remarks[0]


@pytest.mark.parametrize("sign", [1, -1])
def test_rotation_at_the_side(draw, sign):
    forearm = np.cos(np.radians(35)) * FORWARD + np.sin(np.radians(35)) * LATERAL
    out = read(draw(rotation_deg=[20.0] * 20), DOWN, forearm, kind="axial_rotation", sign=sign)
    np.testing.assert_allclose(out.curve.angle_deg, 35 * sign, atol=1e-6)
    np.testing.assert_allclose(out.expected_sd_deg, 2 * EXPECTED_SD_DEG, rtol=1e-6)


@pytest.mark.parametrize("side", ["left", "right"])
def test_rotation_with_the_arm_raised_to_the_side(draw, side):
    facing = -90 if side == "left" else 90
    seen = draw(elevation_deg=[90.0] * 20, side=side, facing_deg=facing)
    forearm = np.cos(np.radians(60)) * FORWARD - np.sin(np.radians(60)) * DOWN
    out = read(seen, LATERAL, forearm, side=side, kind="axial_rotation", plane="sagittal")
    np.testing.assert_allclose(out.curve.angle_deg, 60, atol=1e-6)


@pytest.mark.parametrize(
    ("upper_arm", "forearm", "plane", "word"),
    [
        (DOWN, DOWN, "frontal", "elbow"),
        (direction(60, 0), FORWARD, "frontal", "at the side"),
        (direction(40, 0), FORWARD, "sagittal", "raised to about 90"),
    ],
)
def test_another_movement_is_no_rotation(draw, upper_arm, forearm, plane, word):
    facing = 0 if plane == "frontal" else -90
    out = read(
        draw(rotation_deg=[20.0] * 20, facing_deg=facing), upper_arm, forearm, kind="axial_rotation", plane=plane
    )
    assert np.isnan(out.curve.angle_deg).all()
    assert any(word in remark for remark in out.curve.remarks)


def test_an_arm_is_worked_out_once_for_all_its_movements(draw, monkeypatch):
    track = draw(elevation_deg=[40.0] * 20).track(width_px=720, height_px=1000)
    calls = []
    monkeypatch.setattr(module, "directions_of_blocks", lambda network, features: calls.append(features) or object())
    arms = Arms(track, None)
    assert arms.of("left") is arms.of("left")
    assert arms.of("right") is not arms.of("left")
    assert len(calls) == 2


def test_room_for_intermediate_values_grows_little_with_the_recording(draw):
    """Bytes of the interpreter's own count: a longer recording may hold its features and directions, and few copies of them."""
    track = draw(elevation_deg=[40.0] * 20).track(width_px=720, height_px=1000)
    features = arm_features(track.landmarks_px, track.visibility, track.world_m, side="left", picture_px=(720, 1000))
    network = saying(DOWN, FORWARD, features.shape[1])

    def peak(pictures):
        arrays = {
            name: np.resize(getattr(track, name), (pictures, *getattr(track, name).shape[1:]))
            for name in ("landmarks_px", "visibility", "world_m")
        }
        long = replace(track, time_s=np.arange(pictures) / 30, frame_index=np.arange(pictures), **arrays)
        tracemalloc.start()
        Arms(long, network).of("left")
        most = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return most

    assert (peak(20_000) - peak(10_000)) / 10_000 < 250
