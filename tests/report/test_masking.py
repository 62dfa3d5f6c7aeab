"""Faces and surroundings are unrecognisable, arms and trunk are not."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from vision_rom.handover import Landmark
from vision_rom.readings import Measurement
from vision_rom.report.masking import HEAD, head_mask, hide_identity


@pytest.fixture
def person(make_measurement: Callable[..., Measurement]) -> np.ndarray:
    return make_measurement().track.landmarks_px[0]


@pytest.fixture
def checkers() -> np.ndarray:
    """A picture of 2 px checks: all detail, no mean."""
    rows, columns = np.indices((320, 240)) // 2
    return np.repeat((255 * ((rows + columns) % 2))[..., None], 3, axis=2).astype(np.uint8)


def sharpness(picture: np.ndarray, x: float, y: float, reach: int = 6) -> float:
    patch = picture[int(y) - reach : int(y) + reach, int(x) - reach : int(x) + reach].astype(float)
    return float(patch.std())


def test_head_is_hidden_and_arm_is_kept(person: np.ndarray, checkers: np.ndarray) -> None:
    hidden = hide_identity(checkers, person, np.full(33, 0.99))
    for point in HEAD:
        assert sharpness(hidden, *person[point, :2]) < 12
    for part in ("RIGHT_ELBOW", "LEFT_ELBOW", "RIGHT_HIP"):
        assert sharpness(hidden, *person[Landmark[part], :2]) > 100


def test_surroundings_are_hidden(person: np.ndarray, checkers: np.ndarray) -> None:
    hidden = hide_identity(checkers, person, np.full(33, 0.99))
    assert sharpness(hidden, 215, 60) < 12
    assert sharpness(hidden, 30, 250) < 12


def test_unsure_head_hides_more(person: np.ndarray) -> None:
    sure = head_mask((320, 240), person, np.full(33, 0.99))
    unsure = head_mask((320, 240), person, np.full(33, 0.2))
    assert unsure.sum() > 1.5 * sure.sum()
    assert not (sure & ~unsure).any()


def test_no_head_points_hide_everything_above_the_shoulders(person: np.ndarray) -> None:
    headless = person.copy()
    headless[list(HEAD)] = np.nan
    mask = head_mask((320, 240), headless, np.full(33, 0.99))
    assert mask[:100].all()


def test_no_person_hides_the_whole_picture(checkers: np.ndarray) -> None:
    hidden = hide_identity(checkers, np.full((33, 3), np.nan), np.full(33, np.nan))
    assert hidden.astype(float).std() < 12
