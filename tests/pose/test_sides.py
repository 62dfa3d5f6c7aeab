"""A confusion of left and right never reaches the landmarks that are handed on."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision_rom.handover import MIRRORED_LANDMARKS, Landmark
from vision_rom.pose.sides import cheapest_path, exchange, keep_sides, side_states

HERE = Path(__file__).parent
RATE_HZ = 30.0
AS_GIVEN, ALL, ARMS, BODY = range(4)
MEASURED = [Landmark.of(side, part) for part in ("shoulder", "elbow", "wrist", "hip") for side in ("left", "right")]


def times(count: int, rate_hz: float = RATE_HZ) -> np.ndarray:
    return np.arange(count) / rate_hz


def kept(points, *, visibility=None, rate_hz=RATE_HZ):
    """Return what is handed on, in pixels."""
    visibility = np.ones(points.shape[:2]) if visibility is None else visibility
    return keep_sides(times(len(points), rate_hz), points, visibility, points / 300.0)


def largest_error_trunks(found, truth) -> float:
    """How far any landmark that angles rest on is from the truth, at worst."""
    shoulders = truth[:, [Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER], :2].mean(axis=1)
    hips = truth[:, [Landmark.LEFT_HIP, Landmark.RIGHT_HIP], :2].mean(axis=1)
    trunk_px = np.median(np.linalg.norm(shoulders - hips, axis=-1))
    return float(np.linalg.norm(found[:, MEASURED] - truth[:, MEASURED], axis=-1).max() / trunk_px)


def confusions(count: int, share: float, kind: int, seed: int) -> np.ndarray:
    """Return random states (n,): that share of pictures confused, at least one."""
    rng = np.random.default_rng(seed)
    states = np.where(rng.random(count) < share, kind, AS_GIVEN)
    states[rng.integers(count)] = kind
    return states


@pytest.mark.parametrize("share", [0.01, 0.04, 0.08, 0.17])
@pytest.mark.parametrize("kind", [ALL, ARMS])
@pytest.mark.parametrize("seed", range(3))
def test_random_confusions_are_mended_on_a_published_sequence(keraal, share, kind, seed):
    """KERAAL data set, one take of BlazePose landmarks; the shares are those seen in front, side and back views."""
    states = confusions(len(keraal), share, kind, seed)
    found = kept(exchange(keraal, states))
    np.testing.assert_array_equal(found.exchanged, states != AS_GIVEN)
    np.testing.assert_array_equal(found.landmarks_px, keraal)
    np.testing.assert_array_equal(found.world_m, keraal / 300.0)


@pytest.mark.parametrize("share", [0.04, 0.17])
@pytest.mark.parametrize("kind", [ALL, ARMS])
def test_random_confusions_are_mended_on_what_the_network_saw(track, share, kind):
    states = confusions(len(track.time_s), share, kind, seed=5)
    found = keep_sides(
        track.time_s,
        exchange(track.landmarks_px, states),
        exchange(track.visibility, states),
        exchange(track.world_m, states),
    )
    np.testing.assert_array_equal(found.exchanged, states != AS_GIVEN)
    np.testing.assert_array_equal(found.world_m, track.world_m)
    np.testing.assert_array_equal(found.visibility, track.visibility)


def test_without_the_mending_a_confusion_would_show(keraal):
    """The control of the tests above: one confused picture moves landmarks by more than half a trunk."""
    states = np.zeros(len(keraal), int)
    states[40] = ARMS
    assert largest_error_trunks(exchange(keraal, states), keraal) > 0.5


@pytest.mark.parametrize("rate_hz", [10.0, 15.0])
def test_fewer_pictures_a_second(keraal, rate_hz):
    thinned = keraal[:: round(RATE_HZ / rate_hz)]
    states = confusions(len(thinned), 0.1, ALL, seed=2)
    found = kept(exchange(thinned, states), rate_hz=rate_hz)
    assert largest_error_trunks(found.landmarks_px, thinned) < 0.1


def test_a_whole_second_of_confusion_is_mended(keraal):
    states = np.zeros(len(keraal), int)
    states[30:60] = ARMS
    assert largest_error_trunks(kept(exchange(keraal, states)).landmarks_px, keraal) < 0.1


@pytest.mark.parametrize("name", ["back_blurred_a", "back_blurred_b"])
def test_real_confusions_in_poor_pictures(name):
    """Rendered joint centres against real network output (``data/README.md``)."""
    with np.load(HERE / "data" / f"{name}.npz") as data:
        time_s, joints_px = data["time_s"].astype(float), data["joints_px"].astype(float)
        raw, visibility = data["landmarks_px"].astype(float), data["visibility"].astype(float)
    found = keep_sides(time_s, raw, visibility, raw)
    assert confused(raw, joints_px) > 0
    assert confused(found.landmarks_px, joints_px) == 0
    assert 0 < found.exchanged.mean() < 0.05


def confused(points, joints_px) -> int:
    """Count pictures whose arms lie clearly nearer to the joints of the other side."""
    elbows_wrists, true = points[:, MEASURED[2:6], :2], joints_px[:, 2:6]
    own = np.linalg.norm(elbows_wrists - true, axis=-1).mean(axis=1)
    other = np.linalg.norm(elbows_wrists - true[:, [1, 0, 3, 2]], axis=-1).mean(axis=1)
    return int((other < own - 30).sum())


def test_a_clean_track_is_not_touched(track):
    assert not track.exchanged.any()


def test_the_majority_decides(keraal):
    """A network that is steadily wrong cannot be told from one that is steadily right."""
    mirrored = keraal[:, list(MIRRORED_LANDMARKS)]
    states = confusions(len(keraal), 0.1, ALL, seed=3)
    found = kept(exchange(mirrored, states))
    np.testing.assert_array_equal(found.landmarks_px, mirrored)


def side_view(count: int = 90, *, facing: int = 1, raise_left: bool = True) -> np.ndarray:
    """A drawn person seen from the side, facing the right (1) or left (-1) edge, who raises an arm forward."""
    points = np.zeros((count, 33, 3))
    arm = np.radians(5 + 80 * (1 - np.cos(2 * np.pi * np.arange(count) / count)))
    for side in ("left", "right"):
        # who faces the right edge has the left side away from the camera
        depth = 60.0 * facing * (1 if side == "left" else -1)
        elevation = arm if (side == "left") == raise_left else np.full(count, np.radians(5))
        for part, along in (("elbow", 90), ("wrist", 170), ("index", 190), ("pinky", 190), ("thumb", 185)):
            points[:, Landmark.of(side, part), 0] = 300 + facing * along * np.sin(elevation)
            points[:, Landmark.of(side, part), 1] = 300 + along * np.cos(elevation)
            points[:, Landmark.of(side, part), 2] = depth
        still = {"shoulder": (300, 300), "hip": (300, 450), "knee": (300, 560), "ankle": (295, 670)}
        still |= {"ear": (300, 240), "heel": (290, 690), "foot_index": (300 + 45 * facing, 690)}
        for part, (x, y) in still.items():
            points[:, Landmark.of(side, part)] = x + facing * 2, y, depth
    points[:, Landmark.NOSE] = 300 + 30 * facing, 245, 0
    return points + np.random.default_rng(1).normal(0, 1.5, points.shape)


@pytest.mark.parametrize("facing", [1, -1])
@pytest.mark.parametrize("raise_left", [True, False])
@pytest.mark.parametrize("kind", [ALL, ARMS])
def test_from_the_side_the_nearer_side_decides_even_against_the_majority(facing, raise_left, kind):
    truth = side_view(facing=facing, raise_left=raise_left)
    states = np.zeros(len(truth), int)
    states[20:] = kind
    assert largest_error_trunks(kept(exchange(truth, states)).landmarks_px, truth) < 0.05


def test_a_patient_who_turns_round_keeps_the_sides():
    """From facing right to facing left: nothing is exchanged, since both halves agree with the nearer side."""
    truth = np.concatenate([side_view(facing=1), side_view(facing=-1)])
    assert not kept(truth).exchanged.any()


def test_after_a_long_gap_the_network_is_believed(keraal):
    """What happened out of sight is not guessed: a person may have turned."""
    changed = np.concatenate([keraal[:60], keraal[:60, list(MIRRORED_LANDMARKS)]])
    time_s = np.concatenate([times(60), 10.0 + times(60)])
    assert not side_states(time_s, changed, np.ones(changed.shape[:2])).any()


def test_pictures_without_the_patient_stay_empty(keraal):
    points = keraal.copy()
    points[50:55] = np.nan
    states = confusions(len(points), 0.1, ALL, seed=7)
    states[50:55] = AS_GIVEN
    found = kept(exchange(points, states))
    np.testing.assert_array_equal(found.landmarks_px, points)
    assert not found.exchanged[50:55].any()


@pytest.mark.parametrize("count", [0, 1, 2])
def test_very_few_pictures(keraal, count):
    found = kept(keraal[:count])
    np.testing.assert_array_equal(found.landmarks_px, keraal[:count])


def test_nobody_at_all():
    empty = np.full((4, 33, 3), np.nan)
    assert not kept(empty).exchanged.any()


def test_many_confusions_are_told(keraal):
    few = kept(exchange(keraal, confusions(len(keraal), 0.01, ALL, seed=1)))
    many = kept(exchange(keraal, confusions(len(keraal), 0.2, ALL, seed=1)))
    assert few.remarks == ()
    assert "hard to tell apart" in many.remarks[0]


@settings(max_examples=25, deadline=None)
@given(data=st.data())
def test_mending_does_not_depend_on_place_size_or_mirroring(keraal, data):
    """Relations: the states chosen are the same for a shifted, scaled or mirrored person."""
    states = confusions(len(keraal), 0.1, data.draw(st.sampled_from([ALL, ARMS])), data.draw(st.integers(0, 999)))
    points, seen = exchange(keraal, states), np.ones(keraal.shape[:2])
    expected = side_states(times(len(points)), points, seen)
    scale, shift = data.draw(st.floats(0.3, 4.0)), data.draw(st.floats(-500, 500))
    changed = points * scale + (shift, 0, 0)
    np.testing.assert_array_equal(side_states(times(len(points)), changed, seen), expected)
    mirrored = (points * (-1, 1, 1) + (960, 0, 0))[:, list(MIRRORED_LANDMARKS)]
    np.testing.assert_array_equal(side_states(times(len(points)), mirrored, seen), expected)


def test_exchanging_twice_is_nothing(keraal):
    states = np.arange(len(keraal)) % 4
    np.testing.assert_array_equal(exchange(exchange(keraal, states), states), keraal)


def test_exchanging_all_is_the_mirrored_order(keraal):
    states = np.full(len(keraal), ALL)
    np.testing.assert_array_equal(exchange(keraal, states), keraal[:, list(MIRRORED_LANDMARKS)])


@settings(max_examples=50, deadline=None)
@given(st.integers(1, 5), st.integers(2, 4), st.integers(0, 10_000))
def test_the_path_is_the_cheapest_of_all(count, kinds, seed):
    """Against trying every path."""
    from itertools import pairwise, product

    rng = np.random.default_rng(seed)
    here, there = rng.random((count, kinds)), rng.random((count - 1, kinds, kinds))

    def cost(path):
        return sum(here[i, s] for i, s in enumerate(path)) + sum(
            there[i, a, b] for i, (a, b) in enumerate(pairwise(path))
        )

    best = min(cost(path) for path in product(range(kinds), repeat=count))
    assert cost(tuple(cheapest_path(here, there))) == pytest.approx(best)
