"""Random postures cover what the catalogue knows."""

from __future__ import annotations

import numpy as np
import pytest

from vision_rom.synthetic.people import make_person
from vision_rom.synthetic.sampling import POSTURE_SHARES, random_pose, random_script
from vision_rom.synthetic.script import MOVEMENTS, planned_repetitions
from vision_rom.synthetic.truth import angles_of


def test_shares_sum_to_one_and_name_every_movement() -> None:
    assert sum(POSTURE_SHARES.values()) == pytest.approx(1)
    assert set(MOVEMENTS) <= set(POSTURE_SHARES)


def test_postures_cover_elevation_planes_rotation_and_extension() -> None:
    rng, person = np.random.default_rng(0), make_person(3)
    arms = [a for _ in range(250) for a in angles_of(person.skeleton(random_pose(rng, person)), person).values()]
    elevation = np.array([a.elevation_deg for a in arms])
    plane = np.array([a.plane_deg for a in arms])
    rotation = np.array([a.rotation_deg for a in arms])
    assert (np.histogram(elevation, [0, 30, 60, 90, 120, 150, 180])[0] > 15).all()
    raised = elevation > 40
    for centre in (0, 35, 90):
        assert (raised & (np.abs(plane - centre) < 20)).sum() > 20
    assert ((elevation > 25) & (plane < -60)).sum() > 10
    assert np.nanmin(rotation) < -40
    assert np.nanmax(rotation) > 70


def test_equal_seeds_give_equal_postures() -> None:
    person = make_person(3)
    assert random_pose(np.random.default_rng(9), person) == random_pose(np.random.default_rng(9), person)


@pytest.mark.parametrize("movement", MOVEMENTS)
def test_scripts_stay_within_what_a_body_can_do(movement: str) -> None:
    script = random_script(np.random.default_rng(1), movement, "left", repetitions=3)  # type: ignore[arg-type]
    planned = planned_repetitions(script)
    assert len(planned) == 3
    assert len({p.peak for p in planned}) > 1
    assert all(0 < p.peak < 180 for p in planned)
