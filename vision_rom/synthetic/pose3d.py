"""Pose a body by the joint angles a clinician would name.

The humerus is placed against the thorax (not against the scapula), so the elevation that is asked for is the elevation
that is drawn, whatever the spine, the scapula or the clavicle do. The shoulder girdle follows the arm:

* scapulothoracic upward rotation grows by 1 deg for every 3 deg of elevation after a setting phase of about 20 deg, so
  that glenohumeral and scapulothoracic motion stand about 2 : 1 (Inman, Saunders and Abbott 1944, from memory; 2.3 : 1
  with bone pins: Braman et al. 2009, J Shoulder Elbow Surg 18:960-967);
* the clavicle rises and retracts about the sternoclavicular joint, and protracts when the arm reaches forward or across;
  its amounts are common practice (no source), chosen so that the glenohumeral centre rises about 5 cm overhead.

Angles of :class:`ArmPose` are in the thorax's frame. Rotation is the twist that is left when the shortest swing from
hanging to the arm's direction is taken away; with the arm hanging or abducted in the frontal plane it equals the azimuth
of the bent forearm (0 straight ahead, external positive).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Literal

import numpy as np

from vision_rom.synthetic.body import BodyShape, Floats, lowest_point_m, posed_heads, rig

Side = Literal["left", "right"]
SIDES: tuple[Side, Side] = ("left", "right")
_SUFFIX = {"left": ".L", "right": ".R"}
LATERAL: dict[Side, float] = {"left": 1.0, "right": -1.0}
"""Which way along x a side lies"""

SPINE = ("spine05", "spine04", "spine03", "spine02", "spine01")
THORAX = "spine01"
NECK = ("neck01", "neck02", "neck03", "head")

SETTING_PHASE_DEG = 20.0
SCAPULAR_SHARE = 1 / 3
CLAVICLE_RISE_SHARE = 0.28
"""Clavicular elevation per degree of scapular upward rotation."""
CLAVICLE_RETRACTION_SHARE = 0.35
"""Clavicular retraction per degree of scapular upward rotation."""
SCAPULAR_PLANE_DEG = 35.0
SCAPULA_SKIN_SHARE = 0.55
"""Share of the scapula's rotation that its skin follows; the rest slides beneath (a choice of ours, by eye)."""
UPPER_TWIST_SHARE = 0.45
"""Share of the humerus's axial rotation that the skin next to the shoulder follows."""
FOREARM_TWIST_SHARES = (0.25, 0.6, 1.0)
"""Shares of pronation at the upper forearm, lower forearm and hand."""
HEAD_FOLLOWS_TRUNK = 0.5
"""Share of the trunk's lean that reaches the head: people keep their eyes level."""


@dataclass(frozen=True, slots=True)
class ArmPose:
    """One arm, against the thorax. Degrees; see the module's text."""

    elevation_deg: float = 5.0
    plane_deg: float = 0.0
    """Direction in which the arm is raised: 0 sideways, 90 forward, -90 backward, above 90 across the body"""
    rotation_deg: float = 0.0
    """External positive"""
    elbow_deg: float = 8.0
    """Elbow flexion, 0 straight"""
    pronation_deg: float = 0.0
    """0 with the thumb on the side to which the elbow bends; palm-down positive"""
    wrist_deg: float = 0.0
    """Wrist flexion, extension negative"""
    hike_m: float = 0.0
    """How far the shoulder is drawn up beyond what the arm's elevation brings"""


@dataclass(frozen=True, slots=True)
class LegPose:
    """One leg. Degrees."""

    hip_flexion_deg: float = 0.0
    hip_abduction_deg: float = 0.0
    knee_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class PoseParameters:
    """A whole posture and where it stands. Degrees and metres, in world axes where not said otherwise."""

    left: ArmPose = field(default_factory=ArmPose)
    right: ArmPose = field(default_factory=ArmPose)
    lean_left_deg: float = 0.0
    """Side bend of the spine, to the person's left positive"""
    lean_back_deg: float = 0.0
    """Extension of the spine; bending forward negative"""
    turn_left_deg: float = 0.0
    """Axial turn of the thorax over the pelvis, to the left positive"""
    nod_deg: float = 0.0
    """Head bent forward, relative to where it would be"""
    look_left_deg: float = 0.0
    yaw_deg: float = 0.0
    """The whole person turned to the left; 0 faces -y"""
    position_m: tuple[float, float] = (0.0, 0.0)
    """Where on the floor the pelvis's centre stands"""
    left_leg: LegPose = field(default_factory=LegPose)
    right_leg: LegPose = field(default_factory=LegPose)
    stance_deg: float = -2.5
    """Abduction of both hips; negative brings the feet together"""

    def arm(self, side: Side) -> ArmPose:
        """Return the arm of one side."""
        return self.left if side == "left" else self.right


@dataclass(frozen=True, slots=True)
class _ArmGeometry:
    """Constants of one arm of one body in the neutral stance."""

    forearm_axis: Floats
    flexion_axis: Floats
    flexion_deg: float
    hang: Floats
    """Shortest rotation of the neutral upper arm to hanging"""
    align_deg: float
    """Twist about the vertical, external positive, that makes the elbow bend straight ahead"""
    sternoclavicular: Floats
    acromioclavicular: Floats
    glenohumeral: Floats


@dataclass(frozen=True, slots=True)
class Girdle:
    """Where the shoulder girdle stands for one arm pose, against the thorax."""

    clavicle: Floats
    """(3, 3)"""
    scapula: Floats
    """(3, 3)"""
    upward_rotation_deg: float
    """Scapulothoracic upward rotation that belongs to the arm's elevation"""


@dataclass(frozen=True, slots=True)
class Posture:
    """A body in a pose, before its skin is drawn."""

    rotations: Floats
    """(B, 3, 3) world rotation of each bone against the neutral stance"""
    heads_m: Floats
    """(B, 3) joint centres in the world, the root where the pelvis is; the floor is not yet at 0"""


def rotation_about(axis: Floats | tuple[float, float, float], angle_deg: float) -> Floats:
    """Rotation matrix (3, 3) about an axis, right-handed (Rodrigues)."""
    # written out in floats: small arrays would cost ten times as much, and posing is made of this
    x, y, z = (float(part) for part in axis)
    length = math.sqrt(x * x + y * y + z * z)
    x, y, z = x / length, y / length, z / length
    angle = math.radians(angle_deg)
    c, s = math.cos(angle), math.sin(angle)
    k = 1 - c
    return np.array(
        [
            [c + x * x * k, x * y * k - z * s, x * z * k + y * s],
            [y * x * k + z * s, c + y * y * k, y * z * k - x * s],
            [z * x * k - y * s, z * y * k + x * s, c + z * z * k],
        ]
    )


def shortest_rotation(start: Floats, end: Floats) -> Floats:
    """Rotation (3, 3) of least angle from one unit vector to another that is not its opposite."""
    cross = np.cross(start, end)
    cosine = float(start @ end)
    skew = np.array([[0, -cross[2], cross[1]], [cross[2], 0, -cross[0]], [-cross[1], cross[0], 0]])
    return np.asarray(np.eye(3) + skew + skew @ skew / (1 + cosine), np.float64)


def angle_between_deg(a: Floats, b: Floats) -> float:
    """Angle between two vectors, 0 to 180."""
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(a, b)), a @ b)))


def unit(vector: Floats) -> Floats:
    """Return the vector at length 1."""
    return np.asarray(vector / np.linalg.norm(vector), np.float64)


@lru_cache(maxsize=128)
def _arm_geometry(shape: BodyShape, side: Side) -> _ArmGeometry:
    index, suffix, lateral = rig().index, _SUFFIX[side], LATERAL[side]
    shoulder, elbow, wrist = (
        shape.neutral_heads[index[bone + suffix]] for bone in ("upperarm01", "lowerarm01", "wrist")
    )
    upper, forearm = unit(elbow - shoulder), unit(wrist - elbow)
    flexion_axis = unit(np.cross(upper, forearm))
    flexion_deg = angle_between_deg(upper, forearm)
    hang = shortest_rotation(upper, np.array([0.0, 0.0, -1.0]))
    bent = hang @ rotation_about(flexion_axis, 90 - flexion_deg) @ forearm
    azimuth_deg = np.degrees(np.arctan2(lateral * bent[0], -bent[1]))
    clavicle = shape.neutral_heads[index["clavicle" + suffix]]
    width = abs(shoulder[0] - clavicle[0])
    return _ArmGeometry(
        forearm_axis=forearm,
        flexion_axis=flexion_axis,
        flexion_deg=flexion_deg,
        hang=hang,
        align_deg=-float(azimuth_deg),
        # the source's clavicle starts amid the thorax; the joint lies in front of it, so that the clavicle points
        # about 20 deg backward, and the acromioclavicular joint lies above and a little medial of the humeral head
        sternoclavicular=clavicle + width * np.array([0, -0.3, 0]),
        acromioclavicular=shoulder + width * np.array([-0.1 * lateral, 0.05, 0.2]),
        glenohumeral=shoulder,
    )


def upward_rotation_deg(elevation_deg: float, plane_deg: float) -> float:
    """Scapulothoracic upward rotation for an arm raised to ``elevation_deg`` in the plane ``plane_deg``.

    Rises by 1/3 deg per degree after the setting phase; fades out when the arm goes backward.
    """
    forward = np.clip(1.3 * (np.cos(np.radians(plane_deg - 45)) + 0.55), 0, 1)
    setting = SETTING_PHASE_DEG * (1 - np.exp(-elevation_deg / SETTING_PHASE_DEG))
    return float(SCAPULAR_SHARE * forward * (elevation_deg - setting))


def _girdle(arm: ArmPose, geometry: _ArmGeometry, lateral: float) -> Girdle:
    upward = upward_rotation_deg(arm.elevation_deg, arm.plane_deg)
    reach = np.sin(np.radians(arm.elevation_deg))
    ahead = np.sin(np.radians(arm.plane_deg))
    protraction = 14 * reach * (1 - np.cos(np.radians(arm.plane_deg))) if ahead > 0 else 8 * reach * ahead
    retraction = CLAVICLE_RETRACTION_SHARE * upward - protraction
    length = np.linalg.norm(geometry.acromioclavicular - geometry.sternoclavicular)
    rise = CLAVICLE_RISE_SHARE * upward + np.degrees(np.arctan2(arm.hike_m, length))
    clavicle = rotation_about((0, 0, 1), lateral * retraction) @ rotation_about((0, 1, 0), -lateral * rise)
    plane = np.radians(SCAPULAR_PLANE_DEG)
    normal = np.array([np.sin(plane) * lateral, np.cos(plane), 0.0])
    turned = rotation_about((0, 0, 1), lateral * 0.4 * retraction)
    return Girdle(clavicle, turned @ rotation_about(normal, -lateral * upward), upward)


def _glenohumeral(geometry: _ArmGeometry, girdle: Girdle) -> Floats:
    """Joint centre in the neutral thorax's axes and origin."""
    acromioclavicular = geometry.sternoclavicular + girdle.clavicle @ (
        geometry.acromioclavicular - geometry.sternoclavicular
    )
    return np.asarray(
        acromioclavicular + girdle.scapula @ (geometry.glenohumeral - geometry.acromioclavicular), np.float64
    )


def swing(arm: ArmPose, side: Side) -> Floats:
    """Rotation (3, 3) that raises the hanging upper arm of the thorax's axes to where the pose has it."""
    plane = math.radians(arm.plane_deg)
    # hanging (0, 0, -1) times the direction in which the arm is raised
    return rotation_about((-math.sin(plane), -LATERAL[side] * math.cos(plane), 0.0), arm.elevation_deg)


def _arm_rotations(arm: ArmPose, side: Side, geometry: _ArmGeometry, girdle: Girdle) -> dict[str, Floats]:
    """Rotations of the arm's bones against the neutral stance, in the thorax's axes."""
    lateral = LATERAL[side]
    raised = swing(arm, side)
    twist_deg = arm.rotation_deg + geometry.align_deg

    def humerus(share: float) -> Floats:
        return raised @ rotation_about((0, 0, 1), lateral * share * twist_deg) @ geometry.hang

    lower = humerus(1.0) @ rotation_about(geometry.flexion_axis, arm.elbow_deg - geometry.flexion_deg)
    pronations = [
        lower @ rotation_about(geometry.forearm_axis, -lateral * share * arm.pronation_deg)
        for share in FOREARM_TWIST_SHARES
    ]
    normal_to_palm = np.cross(geometry.forearm_axis, geometry.flexion_axis)
    scapula_axis_share = _fraction(girdle.scapula, SCAPULA_SKIN_SHARE)
    return {
        "clavicle": girdle.clavicle,
        "shoulder01": scapula_axis_share,
        "upperarm01": humerus(UPPER_TWIST_SHARE),
        "upperarm02": humerus(1.0),
        "lowerarm01": pronations[0],
        "lowerarm02": pronations[1],
        "wrist": pronations[2] @ rotation_about(normal_to_palm, lateral * arm.wrist_deg),
    }


def _fraction(rotation: Floats, share: float) -> Floats:
    """Return the same turn by a share of its angle."""
    axis = np.array([rotation[2, 1] - rotation[1, 2], rotation[0, 2] - rotation[2, 0], rotation[1, 0] - rotation[0, 1]])
    sine = np.linalg.norm(axis)
    if sine < 1e-12:
        return np.eye(3)
    return rotation_about(axis, share * float(np.degrees(np.arctan2(sine, np.trace(rotation) - 1))))


def _spine_rotation(pose: PoseParameters) -> Floats:
    bend = np.array([pose.lean_back_deg, pose.lean_left_deg, 0.0])
    size = float(np.linalg.norm(bend))
    # a positive turn about x takes the upright spine backward (-y is ahead), one about y takes it to the left
    tilt = rotation_about((-bend[0], bend[1], 0.0), size) if size > 0 else np.eye(3)
    return tilt @ rotation_about((0, 0, 1), pose.turn_left_deg)


def posture(shape: BodyShape, pose: PoseParameters) -> Posture:
    """World rotations and joint centres of every bone."""
    shared = rig()
    root = rotation_about((0, 0, 1), pose.yaw_deg)
    spine = _spine_rotation(pose)
    set_to: dict[str, Floats] = {"root": root}
    for step, bone in enumerate(SPINE[:-1], start=1):
        set_to[bone] = root @ _fraction(spine, step / (len(SPINE) - 1))
    thorax = set_to[THORAX] = root @ spine
    head = root @ _fraction(spine, HEAD_FOLLOWS_TRUNK)
    head = head @ rotation_about((0, 0, 1), pose.look_left_deg) @ rotation_about((1, 0, 0), pose.nod_deg)
    for step, bone in enumerate(NECK, start=1):
        set_to[bone] = thorax @ _fraction(thorax.T @ head, step / len(NECK))
    shift: dict[str, Floats] = {}
    for side in SIDES:
        geometry, suffix, lateral = _arm_geometry(shape, side), _SUFFIX[side], LATERAL[side]
        arm = pose.arm(side)
        girdle = _girdle(arm, geometry, lateral)
        bones = _arm_rotations(arm, side, geometry, girdle)
        set_to |= {bone + suffix: thorax @ turned for bone, turned in bones.items()}
        shift |= _joint_shifts(shape, suffix, geometry, girdle)
        leg = pose.left_leg if side == "left" else pose.right_leg
        outward = lateral * (leg.hip_abduction_deg + pose.stance_deg)
        thigh = root @ rotation_about((0, 1, 0), -outward) @ rotation_about((1, 0, 0), -leg.hip_flexion_deg)
        shin = thigh @ rotation_about((1, 0, 0), leg.knee_deg)
        foot = root @ rotation_about((1, 0, 0), 0.5 * (leg.knee_deg - leg.hip_flexion_deg))
        for bone, turned in (("upperleg01", thigh), ("upperleg02", thigh), ("lowerleg01", shin), ("lowerleg02", shin)):
            set_to[bone + suffix] = turned
        set_to["foot" + suffix] = foot
    rotations = np.empty((len(shared.parents), 3, 3))
    for bone_index, (bone, parent) in enumerate(zip(shared.bone_names, shared.parents, strict=True)):
        rotations[bone_index] = set_to[bone] if bone in set_to else rotations[parent]
    heads = posed_heads(shape, rotations, lengthen=shift)
    return Posture(rotations, heads + np.array([*pose.position_m, 0.0]))


def _joint_shifts(shape: BodyShape, suffix: str, geometry: _ArmGeometry, girdle: Girdle) -> dict[str, Floats]:
    """Glide of joints against the bone above, in that bone's axes: the humeral head, and twist bones onto their axis."""
    index = rig().index
    clavicle, scapula = (shape.neutral_heads[index[bone + suffix]] for bone in ("clavicle", "shoulder01"))
    skin_scapula = _fraction(girdle.scapula, SCAPULA_SKIN_SHARE)
    carried = clavicle + girdle.clavicle @ (scapula - clavicle)
    reached = carried + skin_scapula @ (geometry.glenohumeral - scapula)
    shifts = {"upperarm01" + suffix: skin_scapula.T @ (_glenohumeral(geometry, girdle) - reached)}
    for near, middle, far in (("upperarm01", "upperarm02", "lowerarm01"), ("lowerarm01", "lowerarm02", "wrist")):
        start, between, end = (shape.neutral_heads[index[bone + suffix]] for bone in (near, middle, far))
        axis = unit(end - start)
        aside = (between - start) - ((between - start) @ axis) * axis
        shifts[middle + suffix] = -aside
        shifts[far + suffix] = aside
    return shifts


def on_the_floor(shape: BodyShape, stance: Posture) -> Posture:
    """Return the same posture, raised or lowered until the lower foot stands on the floor."""
    lift = -lowest_point_m(shape, stance.rotations, stance.heads_m)
    return Posture(stance.rotations, stance.heads_m + np.array([0.0, 0.0, lift]))
