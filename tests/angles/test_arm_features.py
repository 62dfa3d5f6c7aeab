"""Relations that the features must keep: place, size, roll and side of the body do not reach the network."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision_rom.angles.arm_features import arm_features
from vision_rom.handover import MIRRORED_LANDMARKS, Landmark

PICTURE = (480, 640)
# the last features of a row are figures of the recording; the place in the picture and the size stand before them
N_RECORDING = 21
PLACE = slice(-N_RECORDING - 3, -N_RECORDING)


@pytest.fixture(scope="module")
def recording() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Twelve pictures of random landmarks with a trunk."""
    rng = np.random.default_rng(3)
    points = rng.normal(0, 60, (12, 33, 3)) + np.array([240, 320, 0])
    for side, x in (("left", 290), ("right", 190)):
        points[:, Landmark.of(side, "shoulder"), :2] = (x, 220) + rng.normal(0, 4, (12, 2))
        points[:, Landmark.of(side, "hip"), :2] = (x - np.sign(x - 240) * 15, 380) + rng.normal(0, 4, (12, 2))
    return points, rng.uniform(0.2, 1, (12, 33)), rng.normal(0, 0.3, (12, 33, 3))


def features(recording: tuple[np.ndarray, np.ndarray, np.ndarray], side: str = "left") -> np.ndarray:
    return arm_features(*recording, side=side, picture_px=PICTURE)  # type: ignore[arg-type]


def test_a_mirrored_right_arm_is_a_left_arm(recording: tuple[np.ndarray, np.ndarray, np.ndarray]) -> None:
    points, sure, world = recording
    order = list(MIRRORED_LANDMARKS)
    mirrored = points[:, order] * [-1, 1, 1] + [PICTURE[0], 0, 0]
    other = features((mirrored, sure[:, order], world[:, order] * [-1, 1, 1]), "right")
    np.testing.assert_allclose(other, features(recording, "left"), atol=1e-9)


@settings(max_examples=30, deadline=None)
@given(roll_deg=st.floats(-60, 60), grow=st.floats(0.5, 2.0), dx=st.floats(-300, 300), dy=st.floats(-300, 300))
def test_roll_size_and_place_change_only_the_figures_that_say_so(
    recording: tuple[np.ndarray, np.ndarray, np.ndarray], roll_deg: float, grow: float, dx: float, dy: float
) -> None:
    points, sure, world = recording
    c, s = np.cos(np.radians(roll_deg)), np.sin(np.radians(roll_deg))
    turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    moved = grow * points @ turn.T + [dx, dy, 0]
    plain, turned = features(recording), features((moved, sure, world @ turn.T))
    np.testing.assert_allclose(np.delete(turned, PLACE, axis=1), np.delete(plain, PLACE, axis=1), atol=1e-7)


def test_missing_pictures_give_missing_features_and_disturb_no_other(
    recording: tuple[np.ndarray, np.ndarray, np.ndarray],
) -> None:
    points, sure, world = (array.copy() for array in recording)
    without = features((np.delete(points, 4, 0), np.delete(sure, 4, 0), np.delete(world, 4, 0)))
    points[4], sure[4], world[4] = np.nan, np.nan, np.nan
    holed = features((points, sure, world))
    assert np.isnan(holed[4, :-N_RECORDING]).all()
    np.testing.assert_allclose(np.delete(holed, 4, 0), without)
