"""Geometry of posing: what is asked is what stands there."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision_rom.synthetic.body import BodyShape, Traits, rig, shape_body, skin
from vision_rom.synthetic.pose3d import (
    SIDES,
    THORAX,
    ArmPose,
    PoseParameters,
    Side,
    angle_between_deg,
    on_the_floor,
    posture,
    rotation_about,
    upward_rotation_deg,
)


@pytest.fixture(scope="module")
def shape() -> BodyShape:
    return shape_body(Traits(femaleness=0.8, age_years=55, weight=0.6, height=0.35))


def joint(name: str, side: Side) -> int:
    return rig().index[f"{name}.{side[0].upper()}"]


def in_thorax(shape: BodyShape, pose: PoseParameters, side: Side) -> tuple[np.ndarray, np.ndarray]:
    """Upper arm and forearm vectors in the thorax's axes, from the joint centres alone."""
    stance = posture(shape, pose)
    shoulder, elbow, wrist = (stance.heads_m[joint(bone, side)] for bone in ("upperarm01", "lowerarm01", "wrist"))
    thorax = stance.rotations[rig().index["spine01"]]
    return thorax.T @ (elbow - shoulder), thorax.T @ (wrist - elbow)


arms = st.builds(
    ArmPose,
    elevation_deg=st.floats(0, 178),
    plane_deg=st.floats(-100, 140),
    rotation_deg=st.floats(-100, 100),
    elbow_deg=st.floats(0, 140),
    pronation_deg=st.floats(-80, 80),
    hike_m=st.floats(0, 0.05),
)
poses = st.builds(
    PoseParameters,
    left=arms,
    right=arms,
    lean_left_deg=st.floats(-25, 25),
    lean_back_deg=st.floats(-25, 25),
    turn_left_deg=st.floats(-30, 30),
    yaw_deg=st.floats(-180, 180),
)


@settings(max_examples=60, deadline=None)
@given(poses)
def test_asked_elevation_and_elbow_angle_stand_there(shape: BodyShape, pose: PoseParameters) -> None:
    for side in SIDES:
        upper, forearm = in_thorax(shape, pose, side)
        arm = pose.arm(side)
        assert angle_between_deg(upper, np.array([0, 0, -1.0])) == pytest.approx(arm.elevation_deg, abs=0.01)
        assert angle_between_deg(upper, forearm) == pytest.approx(arm.elbow_deg, abs=0.01)


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize(
    ("plane_deg", "axis", "sign"), [(0, 0, "lateral"), (90, 1, -1), (-90, 1, 1)], ids=["side", "ahead", "behind"]
)
def test_planes_point_where_they_say(shape: BodyShape, side: Side, plane_deg: float, axis: int, sign: object) -> None:
    pose = PoseParameters(**{side: ArmPose(90, plane_deg)})
    upper, _ = in_thorax(shape, pose, side)
    wanted = np.zeros(3)
    wanted[axis] = (1 if side == "left" else -1) if sign == "lateral" else sign
    assert angle_between_deg(upper, wanted) < 0.01


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("rotation_deg", [-70.0, 0.0, 45.0, 80.0])
def test_rotation_at_the_side_turns_the_forearm_outward(shape: BodyShape, side: Side, rotation_deg: float) -> None:
    _, forearm = in_thorax(shape, PoseParameters(**{side: ArmPose(0, 0, rotation_deg, 90)}), side)
    outward = forearm[0] if side == "left" else -forearm[0]
    assert np.degrees(np.arctan2(outward, -forearm[1])) == pytest.approx(rotation_deg, abs=0.01)


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("rotation_deg", [-60.0, 0.0, 90.0])
def test_rotation_at_90_abduction_turns_the_forearm_upward(shape: BodyShape, side: Side, rotation_deg: float) -> None:
    _, forearm = in_thorax(shape, PoseParameters(**{side: ArmPose(90, 0, rotation_deg, 90)}), side)
    assert np.degrees(np.arctan2(forearm[2], -forearm[1])) == pytest.approx(rotation_deg, abs=0.01)


def test_axial_rotation_leaves_shoulder_and_elbow_alone(shape: BodyShape) -> None:
    still = posture(shape, PoseParameters(left=ArmPose(70, 30, 0, 60))).heads_m
    turned = posture(shape, PoseParameters(left=ArmPose(70, 30, 65, 60))).heads_m
    for bone in ("upperarm01", "lowerarm01"):
        assert turned[joint(bone, "left")] == pytest.approx(still[joint(bone, "left")], abs=1e-9)
    assert np.linalg.norm((turned - still)[joint("wrist", "left")]) > 0.1


def test_bone_lengths_never_change(shape: BodyShape) -> None:
    resting = posture(shape, PoseParameters()).heads_m
    moved = posture(shape, PoseParameters(left=ArmPose(150, 20, 80, 100, 60), lean_back_deg=10, yaw_deg=40)).heads_m
    for near, far in (("upperarm01", "lowerarm01"), ("lowerarm01", "wrist"), ("upperleg01", "lowerleg01")):
        a, b = joint(near, "left"), joint(far, "left")
        assert np.linalg.norm(moved[a] - moved[b]) == pytest.approx(np.linalg.norm(resting[a] - resting[b]), abs=1e-9)


@settings(max_examples=25, deadline=None)
@given(poses)
def test_exchanging_the_arms_mirrors_the_joints(shape: BodyShape, pose: PoseParameters) -> None:
    mirrored = replace(
        pose,
        left=pose.right,
        right=pose.left,
        lean_left_deg=-pose.lean_left_deg,
        turn_left_deg=-pose.turn_left_deg,
        yaw_deg=-pose.yaw_deg,
    )
    here, there = posture(shape, pose).heads_m, posture(shape, mirrored).heads_m
    for bone in ("upperarm01", "lowerarm01", "wrist", "upperleg01"):
        expected = here[joint(bone, "right")] * [-1, 1, 1]
        # the source's mesh is symmetric to 0.1 mm
        assert there[joint(bone, "left")] == pytest.approx(expected, abs=5e-4)


def test_lean_and_turn_have_the_sign_they_say(shape: BodyShape) -> None:
    up, ahead = np.array([0, 0, 1.0]), np.array([0, -1.0, 0])

    def thorax(**asked: float) -> np.ndarray:
        return posture(shape, PoseParameters(**asked)).rotations[rig().index[THORAX]]

    assert (thorax(lean_left_deg=10) @ up)[0] == pytest.approx(np.sin(np.radians(10)))
    assert (thorax(lean_back_deg=10) @ up)[1] == pytest.approx(np.sin(np.radians(10)))
    assert (thorax(turn_left_deg=10) @ ahead)[0] == pytest.approx(np.sin(np.radians(10)))
    assert (thorax(yaw_deg=90) @ ahead)[0] == pytest.approx(1)


def test_scapula_and_humerus_share_elevation_about_two_to_one() -> None:
    """Inman et al. 1944 (from memory): 2 : 1 after the setting phase; Braman et al. 2009: 2.3 : 1 while raising."""
    for plane in (0.0, 35.0, 90.0):
        upward = np.diff([upward_rotation_deg(e, plane) for e in (60.0, 150.0)])[0]
        assert (90 - upward) / upward == pytest.approx(2.0, abs=0.15)
    assert (160 - upward_rotation_deg(160, 35)) / upward_rotation_deg(160, 35) == pytest.approx(2.4, abs=0.2)


def test_the_glenohumeral_centre_rises_with_the_arm_and_with_a_hike(shape: BodyShape) -> None:
    """About 5 cm overhead (common practice, no source); a hike adds what it says."""

    def height(arm: ArmPose) -> float:
        return float(posture(shape, PoseParameters(right=arm)).heads_m[joint("upperarm01", "right"), 2])

    at = [height(ArmPose(e, 35)) for e in range(0, 176, 25)]
    assert (np.diff(at) >= -1e-6).all()
    assert 0.035 < at[-1] - at[0] < 0.075
    assert height(ArmPose(5, hike_m=0.03)) - height(ArmPose(5)) == pytest.approx(0.03, abs=0.004)


@settings(max_examples=15, deadline=None)
@given(poses)
def test_feet_stand_on_the_floor(shape: BodyShape, pose: PoseParameters) -> None:
    stance = on_the_floor(shape, posture(shape, pose))
    assert skin(shape, stance.rotations, stance.heads_m)[:, 2].min() == pytest.approx(0, abs=1e-6)


def test_rotation_matrices_agree_with_scipy() -> None:
    from scipy.spatial.transform import Rotation

    axis, angle = np.array([0.3, -0.5, 0.81]), 77.0
    expected = Rotation.from_rotvec(np.radians(angle) * axis / np.linalg.norm(axis)).as_matrix()
    assert rotation_about(axis, angle) == pytest.approx(expected)
