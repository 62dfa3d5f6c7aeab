"""Excursions of a drawn arm, against the times at which it was moved."""

from __future__ import annotations

import numpy as np
import pytest

from vision_rom.angles.arm_path import ArmPath
from vision_rom.motion.excursions import LEAVES_REST_DEG, departure_deg, excursions, resting_reach

RATE_HZ = 15.0


def raised(elevation_deg: np.ndarray, *, plane_deg: float = 0.0) -> ArmPath:
    """A straight left arm seen from the front, at an elevation over time."""
    turn, plane = np.radians(elevation_deg), np.radians(plane_deg)
    direction = np.stack([np.sin(turn) * np.cos(plane), -np.sin(turn) * np.sin(plane), -np.cos(turn)], axis=1)
    seen = direction[:, [0, 2]] * [1.0, -1.0]
    count = len(elevation_deg)
    return ArmPath(
        side="left",
        time_s=np.arange(count) / RATE_HZ,
        upper_arm=direction,
        forearm=direction,
        reach=np.linalg.norm(seen, axis=1),
        elbow_place=[0.4, 0.0] + 0.55 * seen,
        wrist_across=0.4 + seen[:, 0],
        wrist_along=seen[:, 1],
    )


def raises(*tops_deg: float, up_s: float = 1.5, hold_s: float = 0.8, rest_s: float = 1.5) -> np.ndarray:
    """Elevations over time: even raises and returns from 8 degrees."""
    times, values, clock = [0.0, rest_s], [8.0, 8.0], rest_s
    for top in tops_deg:
        times += [clock + up_s, clock + up_s + hold_s, clock + 2 * up_s + hold_s, clock + 2 * up_s + hold_s + rest_s]
        values += [top, top, 8.0, 8.0]
        clock = times[-1]
    return np.interp(np.arange(0, clock, 1 / RATE_HZ), times, values)


def test_each_raise_is_one_excursion_with_its_times():
    path = raised(raises(150, 90))
    found = excursions(path, departure_deg(path))
    assert len(found) == 2
    for one, start, top in zip(found, (1.5, 6.8), (150, 90), strict=True):
        leaves = LEAVES_REST_DEG / ((top - 8) / 1.5)
        assert one.start_s == pytest.approx(start + leaves, abs=0.08)
        assert one.end_s == pytest.approx(start + 3.8 - leaves, abs=0.08)
        assert not one.cut_start
        assert not one.cut_end


def test_an_arm_at_rest_makes_none():
    sway = 8 + 3 * np.sin(np.arange(200) / 9)
    path = raised(sway)
    assert excursions(path, departure_deg(path)) == ()


def test_departure_is_the_angle_from_rest_and_reach_that_of_the_hanging_arm():
    path = raised(raises(120))
    assert np.nanmax(departure_deg(path)) == pytest.approx(112, abs=1)
    assert resting_reach(path) == pytest.approx(1.0, abs=0.01)


def test_what_lasts_to_the_end_is_cut():
    elevation = raises(150)[: round(RATE_HZ * 3.0)]
    [one] = excursions(raised(elevation), departure_deg(raised(elevation)))
    assert one.cut_end


def test_a_short_loss_of_the_arm_does_not_cut_an_excursion():
    path = raised(raises(150))
    away = departure_deg(path)
    away[35:39] = np.nan
    assert len(excursions(path, away)) == 1


@pytest.mark.parametrize(("lost", "count"), [(slice(40, 58), 1), (slice(40, 70), 2)])
def test_a_longer_loss_is_bridged_only_in_the_middle_of_a_movement_and_up_to_a_limit(lost, count):
    path = raised(raises(150, hold_s=4.0))
    away = departure_deg(path)
    away[lost] = np.nan
    assert len(excursions(path, away)) == count


def test_a_path_without_anybody_makes_none():
    path = raised(np.full(40, np.nan))
    assert excursions(path, np.full(40, np.nan)) == ()
