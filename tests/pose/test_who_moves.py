"""Statues, pictures on the wall and reflections beside a patient, on invented people."""

from __future__ import annotations

import numpy as np
import pytest

from vision_rom.handover import MIRRORED_LANDMARKS, Landmark
from vision_rom.pose.follow import follow, places_and_sizes
from vision_rom.pose.who_follows import hand_height
from vision_rom.pose.who_moves import arm_places, furthest_trunks, move_in_step

RATE_HZ = 15.0
WIDTH_PX, HEIGHT_PX = 960, 720
TRUNK_PX = 150.0


def person(elevation_deg, *, x_px=480.0, scale=1.0, jitter_px=0.0, seed=0):
    """Return (n, 33, 3) of somebody whose left arm is raised to the side by so many degrees in each picture."""
    elevation = np.radians(np.asarray(elevation_deg, float))
    points = np.zeros((len(elevation), len(Landmark), 3))
    for sign, side in ((1.0, "left"), (-1.0, "right")):
        angle = elevation if side == "left" else np.full_like(elevation, 0.1)
        along = np.stack([sign * np.sin(angle), np.cos(angle)], axis=-1)
        shoulder = np.array([sign * 0.35, -1.0])
        points[:, Landmark.of(side, "hip"), :2] = (sign * 0.2, 0.0)
        points[:, Landmark.of(side, "shoulder"), :2] = shoulder
        points[:, Landmark.of(side, "elbow"), :2] = shoulder + 0.6 * along
        points[:, Landmark.of(side, "wrist"), :2] = shoulder + 1.1 * along
    points[..., :2] *= scale * TRUNK_PX
    points[..., :2] += (x_px, 400.0)
    points[..., :2] += np.random.default_rng(seed).normal(0, 1, points[..., :2].shape) * jitter_px
    return points


def raised(peak_deg, count=75, *, delay=0):
    """Return (n,) degrees of one raise and return."""
    way = np.clip((np.arange(count) - delay) / (count - 30), 0, 1)
    return 5.0 + (peak_deg - 5.0) * np.sin(np.pi * way) ** 2


def followed(*people, until=None):
    """Return which of the people is followed, by number, and the remarks; only the first is seen from picture ``until`` on."""
    count = len(people[0])
    seen = [np.stack([one[i] for one in (people if until is None or i < until else people[:1])]) for i in range(count)]
    described = [places_and_sizes(one) for one in seen]
    found = follow(
        np.arange(count) / RATE_HZ,
        [places for places, _ in described],
        [sizes for _, sizes in described],
        width_px=WIDTH_PX,
        height_px=HEIGHT_PX,
        hands=[hand_height(one) for one in seen],
        arms=[arm_places(one, sizes) for one, (_, sizes) in zip(seen, described, strict=True)],
    )
    [who] = set(found.choice.tolist())
    return who, " ".join(found.remarks)


def test_an_arm_goes_as_far_as_geometry_says():
    quarter = np.concatenate([np.zeros(50), np.linspace(0, 90, 30), np.full(50, 90.0)])
    points = person(quarter)
    places = arm_places(points, places_and_sizes(points)[1])
    # the wrist goes from (0, 1.1) below the shoulder to (1.1, 0) beside it
    assert furthest_trunks(places) == pytest.approx(1.1 * np.sqrt(2), rel=0.01)


def test_jitter_of_a_statue_is_no_movement():
    points = person(np.full(75, 110.0), jitter_px=4.0)
    assert furthest_trunks(arm_places(points, places_and_sizes(points)[1])) < 0.25


@pytest.mark.parametrize("arm_deg", [5.0, 110.0])
def test_a_statue_in_front_is_told(arm_deg):
    statue = person(np.full(75, arm_deg), scale=1.3, jitter_px=3.0)
    patient = person(raised(140), x_px=250, jitter_px=1.0)
    who, remarks = followed(statue, patient)
    assert who == 0
    assert "kept its arms still" in remarks
    assert "--person" in remarks


def test_a_patient_who_moves_little_stays_the_patient_beside_an_onlooker():
    patient = person(raised(25), jitter_px=1.0)
    onlooker = person(np.full(75, 8.0), x_px=750, jitter_px=1.0)
    assert followed(patient, onlooker) == (0, "")


def test_a_still_patient_beside_a_passer_by_stays_the_patient():
    passing = person(raised(120), x_px=200)
    who, remarks = followed(person(np.full(75, 8.0), jitter_px=1.0), passing, until=25)
    assert who == 0
    assert "kept its arms still" not in remarks


def test_a_central_reflection_is_not_the_patient():
    patient = person(raised(140), x_px=200, jitter_px=1.0)
    # seen from behind in the mirror: the same arm goes up, under the other name
    reflection = person(raised(140), x_px=480, scale=0.75, jitter_px=1.0, seed=1)[:, MIRRORED_LANDMARKS]
    who, remarks = followed(patient, reflection)
    assert who == 0
    assert "as in a mirror" in remarks


def test_who_copies_a_second_later_is_no_reflection():
    time_s = np.arange(75) / RATE_HZ
    first, later = hand_height(person(raised(140))), hand_height(person(raised(140, delay=12)))
    assert move_in_step(time_s, first, time_s, first)
    assert not move_in_step(time_s, first, time_s, later)


def test_two_who_keep_still_are_not_in_step():
    time_s = np.arange(75) / RATE_HZ
    still = hand_height(person(np.full(75, 5.0)))
    assert not move_in_step(time_s, still, time_s, still)
