"""A back that is taken for a front now and then, on a person who was drawn."""

from __future__ import annotations

import numpy as np
import pytest

from vision_rom.handover import MIRRORED_LANDMARKS, Landmark
from vision_rom.pose.sides import keep_sides
from vision_rom.pose.wavering import settle_wavering

RATE_HZ = 15.0
ORDER = list(MIRRORED_LANDMARKS)
PLACES = {
    "shoulder": (38.0, 100.0, 0.0),
    "hip": (24.0, 200.0, 0.0),
    "ear": (8.0, 60.0, 0.0),
    "elbow": (45.0, 150.0, 0.0),
    "wrist": (48.0, 195.0, 10.0),
    "knee": (20.0, 270.0, 0.0),
    "ankle": (20.0, 340.0, 0.0),
    "heel": (20.0, 350.0, -5.0),
    "foot_index": (22.0, 352.0, 40.0),
}
"""How far to the own side, how far down and how far forwards each lies"""


def seen(yaw_deg: np.ndarray) -> np.ndarray:
    """Landmarks (n, 33, 3) of a person who stands still but for turning; 0 faces the camera, 180 shows the back."""
    points = np.zeros((len(yaw_deg), len(Landmark), 3))
    turn = np.radians(yaw_deg)

    def place(point: Landmark, aside: float, down: float, ahead: float) -> None:
        points[:, point, 0] = 300 + aside * np.cos(turn) + ahead * np.sin(turn)
        points[:, point, 1] = down
        points[:, point, 2] = aside * np.sin(turn) - ahead * np.cos(turn)

    for point in Landmark:
        place(point, 0.0, 65.0, 12.0)
    place(Landmark.NOSE, 0.0, 62.0, 18.0)
    for part, (aside, down, ahead) in PLACES.items():
        place(Landmark.of("left", part), aside, down, ahead)
        place(Landmark.of("right", part), -aside, down, ahead)
    return points


def taken_for_a_front(points: np.ndarray) -> np.ndarray:
    """What a network gives that finds the same body to be one that faces the camera."""
    taken = points[:, ORDER].copy()
    taken[..., 2] *= -1
    return taken


TIMES = np.arange(0, 12, 1 / RATE_HZ)
YAW = np.interp(TIMES, [0, 2.5, 4, 8.5, 10, 12], [0, 0, 180, 180, 360, 360])
"""The front, a turn round, the back, and on to the front again"""
BACK = (TIMES > 4.2) & (TIMES < 8.3)


def recording(share_taken: float, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The truth, what a wavering network makes of it, and in which pictures it is wrong (n,)."""
    truth = seen(YAW)
    wrong = BACK & (np.random.default_rng(seed).random(len(TIMES)) < share_taken)
    given = truth.copy()
    given[wrong] = taken_for_a_front(truth[wrong])
    return truth, given, wrong


@pytest.mark.parametrize("share_taken", [0.1, 0.5, 0.8])
@pytest.mark.parametrize("seed", range(3))
def test_where_the_network_wavers_after_a_sure_front_the_back_is_seen(share_taken, seed):
    truth, given, wrong = recording(share_taken, seed)
    found = settle_wavering(TIMES, given)
    np.testing.assert_array_equal(found.front & BACK, wrong)
    assert found.settled[BACK].all()
    assert not found.settled[TIMES < 2.5].any()
    assert not found.settled[TIMES > 10].any()
    assert not found.mixed.any()
    sided = keep_sides(TIMES, given, np.ones(given.shape[:2]), given / 300.0)
    np.testing.assert_allclose(sided.landmarks_px[BACK], truth[BACK], atol=1e-9)


def test_a_long_misreading_cannot_outvote_the_rest():
    """Four fifths of the back in one piece: the names' majority says front."""
    truth = seen(YAW)
    wrong = (TIMES > 4.9) & (TIMES < 8.3)
    given = truth.copy()
    given[wrong] = taken_for_a_front(truth[wrong])
    sided = keep_sides(TIMES, given, np.ones(given.shape[:2]), given / 300.0)
    np.testing.assert_allclose(sided.landmarks_px[BACK], truth[BACK], atol=1e-9)


def test_a_mean_of_both_is_left_out():
    truth, given, _ = recording(0.4, 1)
    between = np.flatnonzero(BACK)[8:16:3]
    given[between] = 0.5 * (truth[between] + taken_for_a_front(truth[between]))
    found = settle_wavering(TIMES, given)
    assert set(np.flatnonzero(found.mixed)) == set(between)
    sided = keep_sides(TIMES, given, np.ones(given.shape[:2]), given / 300.0)
    assert np.isnan(sided.landmarks_px[between]).all()
    assert np.isfinite(np.delete(sided.landmarks_px, between, axis=0)).all()
    assert "mixed the back with a front" not in " ".join(sided.remarks)


def test_many_such_pictures_are_told():
    truth, given, _ = recording(0.4, 1)
    between = np.flatnonzero(BACK)[8:40]
    given[between] = 0.5 * (truth[between] + taken_for_a_front(truth[between]))
    sided = keep_sides(TIMES, given, np.ones(given.shape[:2]), given / 300.0)
    assert "mixed the back with a front" in " ".join(sided.remarks)


def test_nothing_is_settled_without_a_sure_front_to_compare_with():
    """A recording of one view: there the names' majority decides, as it did."""
    still = seen(np.zeros(len(TIMES)))
    wrong = np.random.default_rng(4).random(len(TIMES)) < 0.17
    still[wrong] = taken_for_a_front(still[wrong])
    assert not settle_wavering(TIMES, still).settled.any()


def test_chance_pictures_settle_nothing():
    truth = seen(YAW)
    truth[[5, 20, 170]] = taken_for_a_front(truth[[5, 20, 170]])
    assert not settle_wavering(TIMES, truth).settled.any()


def test_a_sure_recording_and_an_empty_one_stay_as_they_are():
    for points in (seen(YAW), np.full((30, len(Landmark), 3), np.nan)):
        found = settle_wavering(TIMES[: len(points)], points)
        assert not (found.settled | found.front | found.mixed).any()
