"""Scenes that no honest recording has: pictures and mirrors behind the patient, things before them, light from behind.

A :class:`Stage` says who is in which room and what hangs there; :func:`draw_stage` yields its pictures. What hangs on a
:class:`Sheet` is another picture of each instant, laid into the room before the people are drawn over it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision_rom.handover import Floats
from vision_rom.proof.hostile.bodies import Change, Worn, as_is
from vision_rom.synthetic.camera import Camera
from vision_rom.synthetic.choreography import pose_at
from vision_rom.synthetic.figure import Figure
from vision_rom.synthetic.people import Person
from vision_rom.synthetic.phone import Phone, photograph
from vision_rom.synthetic.pose3d import PoseParameters
from vision_rom.synthetic.renderer import Renderer
from vision_rom.synthetic.scene import Room, make_room
from vision_rom.synthetic.script import Script
from vision_rom.synthetic.solids import Solids

Picture = NDArray[np.uint8]

OUTSIDE_M = 1.85
"""Who stands further to the side than this is in no picture of these stages."""


def same_pose(pose: PoseParameters) -> PoseParameters:
    """Return the posture unchanged."""
    return pose


@dataclass(frozen=True, slots=True, eq=False)
class Role:
    """One person of a stage."""

    person: Person
    script: Script
    change: Change = as_is
    pose: Callable[[PoseParameters], PoseParameters] = same_pose
    still: bool = False
    """Stays as at the beginning"""
    wears: tuple[Worn, ...] = ()
    scale: float = 1.0

    def pose_at(self, time_s: float) -> PoseParameters:
        """Return the posture at an instant."""
        return self.pose(pose_at(self.script, 0.0 if self.still else time_s, self.person))

    def figures(self, time_s: float) -> list[Figure]:
        """Return the person and what they wear, ready to draw; nothing where they are far outside the picture."""
        pose = self.pose_at(time_s)
        if abs(pose.position_m[0]) > OUTSIDE_M:
            return []
        body = self.change(self.person, pose, self.person.figure(pose))
        return [body, *(one.figure(self.person, pose) for one in self.wears)]

    def hips_m(self, time_s: float) -> Floats:
        """Return the middle of the hips (3,)."""
        pose = self.pose_at(time_s)
        joints = self.person.joints(pose)
        middle = 0.5 * (joints["left_hip"] + joints["right_hip"])
        spot = np.array([*pose.position_m, 0.0])
        return np.asarray(spot + self.scale * (middle - spot), np.float64)


@dataclass(frozen=True, slots=True)
class Sheet:
    """An upright flat thing that faces -y and shows pictures."""

    left_m: float
    right_m: float
    """Its edges (world x)"""
    low_m: float
    high_m: float
    y_m: float

    def corners_m(self) -> Floats:
        """Return upper left, upper right, lower right, lower left as seen from in front, (4, 3)."""
        # who looks along +y has +x to the right
        x0, x1, y = self.left_m, self.right_m, self.y_m
        return np.array([[x0, y, self.high_m], [x1, y, self.high_m], [x1, y, self.low_m], [x0, y, self.low_m]])


@dataclass(frozen=True, slots=True, eq=False)
class Stage:
    """A scene before it is drawn."""

    room: Room
    camera: Camera
    roles: tuple[Role, ...]
    duration_s: float
    rate_hz: float = 10.0
    phone: Phone = field(default_factory=Phone)
    sheet: Sheet | None = None
    shown: tuple[Role, ...] = ()
    """Who is to be seen on the sheet, in another room; nobody and a sheet: it is a mirror"""
    dim: float = 1.0
    """Share of the light that is left on everything that does not glow: the phone exposes for the window"""
    veil: float = 0.0
    """How much of the light of bright parts spreads over their surroundings"""
    only_mirror: bool = False
    """The phone looks into the mirror: the picture is what the mirror shows, and nobody stands before it"""
    seed: int = 0

    def times_s(self) -> Floats:
        """Return the times (n,) of the pictures."""
        return np.arange(math.ceil(self.duration_s * self.rate_hz)) / self.rate_hz


def draw_stage(stage: Stage) -> Iterator[Picture]:
    """Yield the pictures (height, width, 3) as the phone stores them."""
    renderer = Renderer(stage.room, stage.camera)
    bare = renderer.scenery
    behind = _behind(stage)
    rng = np.random.default_rng((stage.seed, 41))
    mask = _inside(stage, bare.shape) if stage.sheet else None
    for time_s in stage.times_s():
        if stage.only_mirror:
            assert behind is not None
            sharp = behind(float(time_s))
        else:
            if behind is not None:
                assert mask is not None
                shown = behind(float(time_s))
                renderer.change_scenery(np.where(mask, shown, bare))
            sharp = renderer.draw([figure for role in stage.roles for figure in role.figures(float(time_s))])
        yield photograph(_against_light(sharp, stage.dim, stage.veil), stage.phone, rng)


def in_room(room: Room, solids: Solids) -> Room:
    """Return the room with more things in it, which no camera leaves out."""
    faces = np.concatenate(solids.faces)
    return replace(
        room,
        vertices_m=np.concatenate([room.vertices_m, np.concatenate(solids.vertices).astype(np.float32)]),
        faces=np.concatenate([room.faces, (faces + len(room.vertices_m)).astype(np.int32)]),
        face_colours=np.concatenate([room.face_colours, *solids.colours]),
        face_materials=np.concatenate([room.face_materials, *solids.materials]),
        face_item=np.concatenate([room.face_item, np.full(len(faces), -1, np.int32)]),
    )


def roomy(first: int, depth_m: float = 1.5) -> int:
    """Return the first room from a seed on whose wall behind the person is far enough to hang things before it."""
    seed = first
    while float(make_room(seed).vertices_m[:, 1].max()) < depth_m:
        seed += 1
    return seed


def reflected(camera: Camera, y_m: float) -> Camera:
    """Return the camera behind a mirror in the plane y = ``y_m`` whose picture, flipped, the mirror shows."""
    x, y, _ = camera.position_m
    y = 2.0 * y_m - y
    yaw_deg = math.degrees(math.atan2(x, -y))
    heading_deg = 180.0 - (camera.yaw_deg - camera.pan_deg)
    pan_deg = (yaw_deg - heading_deg + 180.0) % 360.0 - 180.0
    return replace(
        camera,
        view="front",
        off_plane_deg=(yaw_deg + 180.0) % 360.0 - 180.0,
        distance_m=math.hypot(x, y),
        pan_deg=pan_deg,
        roll_deg=-camera.roll_deg,
    )


def _behind(stage: Stage) -> Callable[[float], Picture] | None:
    """Return what the sheet shows at an instant, laid into a whole picture."""
    if stage.sheet is None:
        return None
    if not stage.shown:
        mirror = Renderer(_before(stage.room, stage.sheet.y_m), reflected(stage.camera, stage.sheet.y_m))

        def in_mirror(time_s: float) -> Picture:
            figures = [figure for role in stage.roles for figure in role.figures(time_s)]
            return np.ascontiguousarray(mirror.draw(figures)[:, ::-1])

        return in_mirror
    tall = (stage.sheet.high_m - stage.sheet.low_m) / (stage.sheet.right_m - stage.sheet.left_m)
    height = 480
    width = round(height / tall / 2.0) * 2
    film = Renderer(
        make_room(stage.room.seed + 500),
        Camera(width_px=width, height_px=height, distance_m=2.7, height_m=1.0, vertical_fov_deg=46.0),
    )
    place = _outline(stage).astype(np.float32)
    own = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32)
    warp = cv2.getPerspectiveTransform(own, place)
    size = (stage.camera.width_px, stage.camera.height_px)
    still = all(role.still for role in stage.shown)
    kept: list[Picture] = []

    def on_sheet(time_s: float) -> Picture:
        if not (still and kept):
            drawn = film.draw([figure for role in stage.shown for figure in role.figures(time_s)])
            kept[:] = [np.asarray(cv2.warpPerspective(drawn, warp, size, flags=cv2.INTER_AREA), np.uint8)]
        return kept[0]

    return on_sheet


def _before(room: Room, y_m: float) -> Room:
    """Return the part of a room that a mirror in the plane y = ``y_m`` can show."""
    kept = room.vertices_m[:, 1][room.faces].min(axis=1) <= y_m
    return replace(
        room,
        faces=room.faces[kept],
        face_colours=room.face_colours[kept],
        face_materials=room.face_materials[kept],
        face_item=room.face_item[kept],
    )


def _outline(stage: Stage) -> Floats:
    assert stage.sheet is not None
    return stage.camera.project(stage.sheet.corners_m())[0]


def _inside(stage: Stage, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    inside = np.zeros(shape[:2], np.uint8)
    cv2.fillConvexPoly(inside, np.round(_outline(stage)).astype(np.int32), 1)
    return inside[..., None].astype(np.bool_)


def _against_light(picture: Picture, dim: float, veil: float) -> Picture:
    if dim >= 1.0 and veil <= 0.0:
        return picture
    light = (picture.astype(np.float32) / 255.0) ** 2.2
    glows = (picture.min(axis=2, keepdims=True) > 238).astype(np.float32)
    light *= glows + (1.0 - glows) * np.float32(dim)
    spread = cv2.GaussianBlur(light * glows, (0, 0), picture.shape[0] / 14)
    seen = np.clip(light + np.float32(veil) * spread, 0, 1) ** (1 / 2.2)
    return np.asarray(np.round(255 * seen), np.uint8)
