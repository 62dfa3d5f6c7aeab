"""Truth from the posed skeleton: against what was asked, against MuJoCo, and by relations."""

from __future__ import annotations

from dataclasses import replace

import mujoco
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision_rom.synthetic.people import Person, make_person
from vision_rom.synthetic.pose3d import SIDES, ArmPose, PoseParameters, Side
from vision_rom.synthetic.script import MOVEMENTS, Compensation, Movement
from vision_rom.synthetic.scripts import single_movement
from vision_rom.synthetic.truth import (
    ArmAngles,
    angles_of,
    furthest_mean,
    movement_value,
    true_repetitions,
    trunk_angles,
)


@pytest.fixture(scope="module")
def person() -> Person:
    return make_person(4)


def angles(person: Person, pose: PoseParameters) -> dict[Side, ArmAngles]:
    return angles_of(person.skeleton(pose), person)


arms = st.builds(
    ArmPose,
    elevation_deg=st.floats(1, 177),
    plane_deg=st.floats(-95, 140),
    rotation_deg=st.floats(-90, 90),
    elbow_deg=st.floats(0, 130),
    hike_m=st.floats(0, 0.05),
)
MODEL = """
<mujoco><compiler angle="degree"/><default><joint armature="1"/></default><worldbody><body>
  <joint name="plane" axis="0 0 1"/><joint name="elevation" axis="0 -1 0"/><joint name="twist" axis="0 0 1"/>
  <inertial pos="0 0 0" mass="1" diaginertia="1 1 1"/>
  <body pos="0 0 -{upper}"><joint name="elbow" axis="-1 0 0"/><inertial pos="0 0 0" mass="1" diaginertia="1 1 1"/>
    <body name="wrist" pos="0 0 -{forearm}"><inertial pos="0 0 0" mass="1" diaginertia="1 1 1"/></body></body>
</body></worldbody></mujoco>
"""


@settings(max_examples=40, deadline=None)
@given(arms)
def test_the_left_arm_stands_where_mujoco_puts_it(person: Person, arm: ArmPose) -> None:
    """Forward kinematics of an arm of hinges in MuJoCo (general-purpose physics library), bone lengths alone shared."""
    joints = person.joints(PoseParameters(left=arm))
    upper, forearm = (
        joints["left_elbow"] - joints["left_shoulder"],
        joints["left_wrist"] - joints["left_elbow"],
    )
    model = mujoco.MjModel.from_xml_string(MODEL.format(upper=np.linalg.norm(upper), forearm=np.linalg.norm(forearm)))
    data = mujoco.MjData(model)
    data.qpos[:] = np.radians([-arm.plane_deg, arm.elevation_deg, arm.rotation_deg + arm.plane_deg, arm.elbow_deg])
    mujoco.mj_kinematics(model, data)
    assert upper + forearm == pytest.approx(data.xpos[-1], abs=2e-6)


@settings(max_examples=40, deadline=None)
@given(arms, st.floats(-20, 20), st.floats(-20, 20), st.floats(-25, 25), st.floats(-180, 180))
def test_neither_lean_nor_turn_changes_the_arm_against_the_thorax(
    person: Person, arm: ArmPose, left: float, back: float, turn: float, yaw: float
) -> None:
    upright = PoseParameters(left=arm, right=arm)
    leaning = replace(upright, lean_left_deg=left, lean_back_deg=back, turn_left_deg=turn, yaw_deg=yaw)
    before, after = angles(person, upright), angles(person, leaning)
    for side in SIDES:
        assert before[side].elevation_deg == pytest.approx(arm.elevation_deg, abs=0.01)
        assert after[side].elevation_deg == pytest.approx(arm.elevation_deg, abs=0.01)
        assert after[side].rotation_deg == pytest.approx(before[side].rotation_deg, abs=1e-6, nan_ok=True)
        assert after[side].elbow_deg == pytest.approx(arm.elbow_deg, abs=0.01)
    trunk = trunk_angles(person.skeleton(leaning))
    assert trunk.lean_left_deg == pytest.approx(left, abs=1e-6)
    assert trunk.lean_back_deg == pytest.approx(back, abs=1e-6)
    assert trunk.turn_left_deg == pytest.approx(turn, abs=1e-6)
    assert np.cos(np.radians(trunk.facing_left_deg - yaw)) == pytest.approx(1)


def test_the_vertical_value_takes_the_lean(person: Person) -> None:
    """An arm held out to the left sinks by the lean to the left, against the vertical alone."""
    pose = PoseParameters(left=ArmPose(90, 0), lean_left_deg=12)
    assert angles(person, pose)["left"].vertical_deg == pytest.approx(78, abs=0.01)
    assert angles(person, pose)["left"].elevation_deg == pytest.approx(90, abs=0.01)


def test_hip_lines_by_hand(person: Person) -> None:
    pose = PoseParameters(right=ArmPose(75, 20))
    joints = person.joints(pose)
    arm = joints["right_elbow"] - joints["right_shoulder"]

    def between(line: np.ndarray) -> float:
        return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(arm, line)), arm @ line)))

    own = joints["right_hip"] - joints["right_shoulder"]
    middle = (joints["left_hip"] + joints["right_hip"] - joints["left_shoulder"] - joints["right_shoulder"]) / 2
    assert angles(person, pose)["right"].hip_line_deg == pytest.approx(between(own))
    assert angles(person, pose)["right"].midline_deg == pytest.approx(between(middle))


@pytest.mark.parametrize("side", SIDES)
def test_rotation_means_the_same_on_both_sides_of_90_deg_of_abduction(person: Person, side: Side) -> None:
    """The azimuth must not flip as the upper arm passes the level."""
    for elevation in (80.0, 89.0, 90.0, 91.0, 100.0):
        for rotation in (-50.0, 20.0, 85.0):
            pose = PoseParameters(**{side: ArmPose(elevation, 0, rotation, 90)})
            assert angles(person, pose)[side].rotation_deg == pytest.approx(rotation, abs=0.01)


def test_rotation_is_not_given_where_it_means_nothing(person: Person) -> None:
    straight = PoseParameters(left=ArmPose(10, 0, 30, 10))
    ahead = PoseParameters(left=ArmPose(90, 90, 30, 90))
    assert np.isnan(angles(person, straight)["left"].rotation_deg)
    assert np.isnan(angles(person, ahead)["left"].rotation_deg)


PEAKS: dict[Movement, float] = {
    "abduction": 142.0,
    "scaption": 95.0,
    "flexion": 160.0,
    "extension": 47.0,
    "external_rotation_90": 82.0,
    "internal_rotation_90": 55.0,
    "hand_behind_back": 0.62,
}


@pytest.mark.parametrize("movement", PEAKS)
def test_asked_peaks_are_true_peaks_whatever_the_body_adds(person: Person, movement: Movement) -> None:
    added = Compensation(12, 8, 10, 0.04, 12, 6) if movement in ("abduction", "scaption", "extension") else None
    script = single_movement(movement, "right", [PEAKS[movement]], compensation=added, up_s=0.8, down_s=0.8)
    still = replace(script, sway_deg=0.0, tremor_deg=0.0)
    (true,) = true_repetitions(still, person, rate_hz=25)
    tolerance = 0.005 if movement == "hand_behind_back" else 0.5
    assert true.peak == pytest.approx(PEAKS[movement], abs=tolerance)
    assert true.held == pytest.approx(PEAKS[movement], abs=tolerance)
    assert true.top_s - 0.01 <= true.held_start_s
    assert true.held_end_s <= true.hold_end_s + 0.05


def test_movements_have_the_signs_of_the_catalogue(person: Person) -> None:
    ahead = angles(person, PoseParameters(left=ArmPose(40, 90, 25, 90)))["left"]
    behind = angles(person, PoseParameters(left=ArmPose(40, -90)))["left"]
    outward = angles(person, PoseParameters(left=ArmPose(3, 0, 25, 90)))["left"]
    assert movement_value(ahead, "flexion") == pytest.approx(40, abs=0.01)
    assert movement_value(ahead, "extension") == pytest.approx(-40, abs=0.01)
    assert movement_value(behind, "extension") == pytest.approx(40, abs=0.01)
    assert movement_value(behind, "flexion") == pytest.approx(-40, abs=0.01)
    assert movement_value(outward, "external_rotation") == pytest.approx(25, abs=0.1)
    assert movement_value(outward, "internal_rotation") == pytest.approx(-25, abs=0.1)
    overhead = angles(person, PoseParameters(left=ArmPose(172, -95)))["left"]
    assert movement_value(overhead, "flexion") == pytest.approx(172, abs=0.01)


def test_the_arm_across_the_body_comes_nearer_to_the_far_shoulder(person: Person) -> None:
    ahead, across = (angles(person, PoseParameters(right=ArmPose(88, p)))["right"] for p in (90, 130))
    assert movement_value(across, "cross_body_adduction") < movement_value(ahead, "cross_body_adduction") - 0.2


def test_every_movement_has_a_value(person: Person) -> None:
    bent = angles(person, PoseParameters(left=ArmPose(20, 0, 10, 90)))["left"]
    assert all(np.isfinite(movement_value(bent, movement)) for movement in MOVEMENTS)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-100, 100), min_size=5, max_size=60), st.floats(0.1, 1.0))
def test_furthest_mean_is_the_largest_of_all_windows(values: list[float], window_s: float) -> None:
    times = np.arange(len(values)) / 20
    start, end, mean = furthest_mean(times, np.array(values), window_s)
    width = min(max(round(window_s * 20), 1), len(values) - 1)
    brute = [np.trapezoid(values[i : i + width + 1]) / width for i in range(len(values) - width)]
    assert mean == pytest.approx(max(brute), abs=1e-9)
    assert end - start == pytest.approx(width / 20)


def test_furthest_mean_passes_over_what_is_missing() -> None:
    values = np.array([1, 1, np.nan, 9, 9, 2, 2, 2], float)
    assert furthest_mean(np.arange(8.0), values, 2.0)[2] == pytest.approx((9 / 2 + 9 + 2 / 2) / 2)
    assert np.isnan(furthest_mean(np.arange(3.0), np.full(3, np.nan), 1.0)[2])
