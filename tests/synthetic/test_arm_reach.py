"""Arms placed by where they should go."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from vision_rom.synthetic.arm_reach import (
    arm_pose_from_directions,
    back_height_ratio,
    directions_of,
    internal_rotation_limit_deg,
    reach_behind_back,
    turned_inward,
)
from vision_rom.synthetic.body import rig
from vision_rom.synthetic.choreography import pose_at
from vision_rom.synthetic.people import make_person
from vision_rom.synthetic.pose3d import SIDES, ArmPose, PoseParameters, Side
from vision_rom.synthetic.script import planned_repetitions
from vision_rom.synthetic.scripts import single_movement
from vision_rom.synthetic.truth import arm_directions


@settings(deadline=None)
@given(st.sampled_from(SIDES), st.floats(2, 175), st.floats(-170, 170), st.floats(-150, 150), st.floats(5, 150))
def test_directions_give_back_the_pose(
    side: Side, elevation: float, plane: float, rotation: float, elbow: float
) -> None:
    person = make_person(2)
    arm = ArmPose(elevation, plane, rotation, elbow)
    stance = person.skeleton(PoseParameters(**{side: arm}))
    upper, forearm = arm_directions(stance, side)
    assert directions_of(arm, side) == (pytest.approx(upper, abs=1e-4), pytest.approx(forearm, abs=1e-4))
    found = arm_pose_from_directions(upper, forearm, side)
    assert found.elevation_deg == pytest.approx(elevation, abs=0.01)
    assert found.elbow_deg == pytest.approx(elbow, abs=0.01)
    for name in ("plane_deg", "rotation_deg"):
        apart = np.radians(getattr(found, name) - getattr(arm, name))
        assert np.degrees(np.arctan2(np.sin(apart), np.cos(apart))) == pytest.approx(0, abs=0.05)


@settings(deadline=None)
@given(st.floats(-1, 1), st.floats(-1, 1), st.floats(-1, 1))
def test_a_straight_arm_has_no_rotation(x: float, y: float, z: float) -> None:
    vector = np.array([x, y, z])
    assume(np.linalg.norm(vector) > 0.1)
    assert arm_pose_from_directions(vector, vector, "left").rotation_deg == 0


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("seed", [1, 4])
def test_the_thumb_reaches_the_asked_height_behind_the_back(side: Side, seed: int) -> None:
    person = make_person(seed)
    for ratio in (1.1, 0.8, 0.5):
        pose = PoseParameters(**{side: reach_behind_back(person.traits, side, ratio)})
        stance, joints = person.skeleton(pose), person.joints(pose)
        assert back_height_ratio(stance, side) == pytest.approx(ratio, abs=0.01)
        assert abs(joints[f"{side}_knuckle"][0]) < 0.07
        assert joints[f"{side}_knuckle"][1] > joints["thorax"][1]
        arm = pose.arm(side)
        assert arm.rotation_deg < -40
        assert arm.plane_deg < 0


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("seed", [3, 47])
def test_internal_rotation_ends_where_the_forearm_meets_the_belly(side: Side, seed: int) -> None:
    person = make_person(seed)
    limit = internal_rotation_limit_deg(person.traits, side)
    assert 25 < limit < 80
    script = replace(single_movement("internal_rotation", side, [120.0]), sway_deg=0.0, tremor_deg=0.0)
    pose = pose_at(script, planned_repetitions(script)[0].top_s, person)
    assert pose.arm(side).rotation_deg == pytest.approx(-limit)
    assert pose.arm(side).elbow_deg == pytest.approx(90)
    wrist, figure = person.joints(pose)[f"{side}_wrist"], person.figure(pose).vertices_m
    trunk = (np.abs(figure[:, 0] - wrist[0]) < 0.02) & (np.abs(figure[:, 2] - wrist[2]) < 0.02)
    behind = figure[trunk & (figure[:, 1] > wrist[1] + 0.045)]
    assert len(behind) > 0  # what lies further back than the forearm's own skin is the belly
    further = person.skeleton(PoseParameters(**{side: turned_inward(limit + 25, ArmPose())}))
    assert (
        further.heads_m[rig().index[f"wrist.{side[0].upper()}"], 1]
        > person.skeleton(pose).heads_m[rig().index[f"wrist.{side[0].upper()}"], 1]
    )


def test_a_smaller_turn_is_not_limited() -> None:
    person = make_person(3)
    script = replace(single_movement("internal_rotation", "left", [20.0]), sway_deg=0.0, tremor_deg=0.0)
    assert pose_at(script, planned_repetitions(script)[0].top_s, person).left.rotation_deg == pytest.approx(-20)
