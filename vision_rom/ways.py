"""The ways from landmarks to an angle curve and its interval, so that the pipeline can name one and the proof compare.

``picture``
    Trunk line to upper arm in the picture's plane, rotation from the forearm's foreshortening; interval from known terms.
``learned``
    The arm network's direction in the thorax's frame; interval calibrated on rendered people it never saw.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal, get_args

import numpy as np

from vision_rom.angles import (
    PlaneDisagreement,
    ViewEstimate,
    angle_curve,
    forearm_of_track,
    plane_of_motion,
    with_intervals,
)
from vision_rom.angles.camera_tilt import camera_tilt_deg
from vision_rom.angles.hinge import HALF_WIDTH_DEG, hinge_curve
from vision_rom.angles.interval import Interval, Kind
from vision_rom.angles.learned_curve import Arms, learned_curve
from vision_rom.angles.learned_interval import Group, expected_errors_deg, with_learned_intervals
from vision_rom.angles.off_plane import Plane
from vision_rom.handover import AngleCurve, Floats, PoseTrack, Repetition, Side, SmoothCurve
from vision_rom.learned import load_arm_network, load_bias_lines, load_camera_tilt, load_interval_factors
from vision_rom.movements import Movement

Method = Literal["learned", "picture"]
METHODS: tuple[Method, ...] = get_args(Method)
DEFAULT_METHOD: Method = "learned"

METHOD_WORDS: dict[Method, str] = {
    "learned": "direction of the arm in the thorax's frame, learned from rendered people",
    "picture": "trunk line to upper arm in the picture",
}

WIDEST_HALF_WIDTH_DEG = 15.0
"""A reading that is less sure than this is not one."""

KNOWN_NETWORKS = ("pose_full",)
"""Pose networks whose landmarks the arm network learned from, and its interval was calibrated on. With those of the heavy
network it erred about as little in the full proof, but its intervals held 88 times in a hundred only."""

PLAIN_INSTEAD = (
    "The plain angle in the picture was taken: the learned method knows the whole landmarks of the full network only."
)

SQUARE_TURN_DEG = 12.0
SQUARE_TILT_DEG = 10.0
"""What still counts as filmed as asked for. Half the turn and tilt that the calibration clips were filmed off by."""


@dataclass(frozen=True, slots=True)
class RawCurve:
    """One movement of one side by one way, before smoothing."""

    curve: AngleCurve
    method: Method
    """The way that was taken; ``picture`` also where the landmarks lack what the network needs"""
    picture: AngleCurve
    """The plain angle in the picture, whichever way was taken"""
    expected_sd_deg: Floats
    """(n,) what the network expects of its error in each picture; NaN without it"""


def raw_curve(
    track: PoseTrack,
    movement: Movement,
    side: Side,
    view: ViewEstimate,
    method: Method,
    *,
    corrected: bool = True,
    focal_px: float | None = None,
    arms: Arms | None = None,
) -> RawCurve:
    """Return the curve of one movement and side by the way that was asked for.

    ``corrected`` False leaves the learned direction's remaining bias in, as the fit of that bias needs it. ``focal_px`` is the
    camera's focal length where it is known, for the perspective of a plain rotation. ``arms`` are those of the track, from
    :func:`arms_of`, where other curves of it are wanted too.
    """
    if movement.kind == "hinge":
        bending = hinge_curve(track, movement=movement.name, direction=movement.direction, side=side, view=view)
        return RawCurve(bending, "picture", bending, np.full(len(track.time_s), np.nan))
    kind, plane = kind_of(movement), seen_plane(movement)
    if group_of(movement) == "rotation_90":
        picture = _none_in_the_picture(track, movement, side)
    else:
        picture = angle_curve(
            track,
            movement=movement.name,
            kind=kind,
            direction=movement.direction,
            plane=plane,
            side=side,
            view=view,
            focal_px=focal_px,
        )
    unknown = np.full(len(track.time_s), np.nan)
    if method == "picture":
        return RawCurve(picture, "picture", picture, unknown)
    if not _known_to_network(track):
        told = replace(picture, remarks=(*picture.remarks, PLAIN_INSTEAD))
        return RawCurve(told, "picture", picture, unknown)
    learned = learned_curve(
        track,
        arms or arms_of(track),
        picture,
        movement=movement.name,
        kind=kind,
        direction=movement.direction,
        plane=plane,
        side=side,
        view=view,
    )
    line = load_bias_lines().get(group_of(movement)) if corrected else None
    if line is None:
        return RawCurve(learned.curve, "learned", picture, learned.expected_sd_deg)
    angle = learned.curve.angle_deg
    unbiased = replace(
        learned.curve, angle_deg=angle - line.bias_deg(angle, front=faces_camera(view), direction=movement.direction)
    )
    return RawCurve(unbiased, "learned", picture, learned.expected_sd_deg)


def arms_of(track: PoseTrack) -> Arms:
    """Return where the arms of a track point, by the arm network; nothing is worked out before it is asked for."""
    return Arms(track, load_arm_network())


def faces_camera(view: ViewEstimate) -> bool:
    """Tell whether the patient's front is seen rather than the back."""
    return abs(view.facing_deg) < 90.0


def intervals(
    repetitions: tuple[Repetition, ...],
    curve: SmoothCurve,
    raw: RawCurve,
    movement: Movement,
    track: PoseTrack,
    view: ViewEstimate,
    plane: PlaneDisagreement | None,
) -> tuple[tuple[Repetition, ...], Interval]:
    """Return the repetitions with their interval, and that of the reading."""
    if movement.kind == "hinge":
        kept = tuple(replace(one, interval95_deg=_give_or_take(one.held_deg, HALF_WIDTH_DEG)) for one in repetitions)
        return kept, _give_or_take(float(np.mean([one.held_deg for one in kept])), HALF_WIDTH_DEG)
    if raw.method == "picture":
        factor = load_interval_factors().picture.get(group_of(movement), 1.0)
        return picture_intervals(repetitions, curve, movement, track, view, plane, factor=factor)
    expected = expected_errors_deg(repetitions, curve, raw.expected_sd_deg, raw.picture.angle_deg)
    factor = load_interval_factors().of(group_of(movement), square=filmed_squarely(track, view, plane))
    return with_learned_intervals(repetitions, expected, factor=factor)


def picture_intervals(
    repetitions: tuple[Repetition, ...],
    curve: SmoothCurve,
    movement: Movement,
    track: PoseTrack,
    view: ViewEstimate,
    plane: PlaneDisagreement | None,
    *,
    factor: float = 1.0,
) -> tuple[tuple[Repetition, ...], Interval]:
    """Return the intervals of the plain angle: what is known of its error, times a calibrated factor."""
    rotation = movement.kind == "axial_rotation"
    found = with_intervals(
        repetitions,
        curve,
        kind=kind_of(movement),
        view=view,
        plane=plane,
        forearm=forearm_of_track(track, side=curve.source.side) if rotation else None,
        direction=movement.direction,
    )
    kept = tuple(
        replace(one, interval95_deg=_scaled(one.interval95_deg, one.held_deg, factor)) for one in found.repetitions
    )
    held = float(np.mean([one.held_deg for one in kept]))
    return kept, _scaled(found.reading95_deg, held, factor)


def _give_or_take(value_deg: float, half_width_deg: float) -> Interval:
    return value_deg - half_width_deg, value_deg + half_width_deg


def _scaled(interval: Interval, held_deg: float, factor: float) -> Interval:
    low, high = interval
    return held_deg + factor * (low - held_deg), held_deg + factor * (high - held_deg)


def filmed_squarely(track: PoseTrack, view: ViewEstimate, plane: PlaneDisagreement | None) -> bool:
    """Tell whether the camera, as far as the recording shows, stood where it should: turned little, tilted little."""
    turn_deg = abs(view.facing_deg)
    turn_deg = min(turn_deg, abs(turn_deg - 90.0), 180.0 - turn_deg)
    if plane is not None:
        turn_deg = min(turn_deg, plane.off_plane_deg)
    tilt_deg = abs(camera_tilt_deg(track, view.view, load_camera_tilt()))
    # an unknown tilt, or turn, compares as False
    return turn_deg <= SQUARE_TURN_DEG and tilt_deg <= SQUARE_TILT_DEG


def too_unsure(interval: Interval, *, widest_deg: float = WIDEST_HALF_WIDTH_DEG) -> str:
    """Sentence why a reading with this interval is none, or nothing."""
    half = (interval[1] - interval[0]) / 2
    if not half > widest_deg:
        return ""
    return (
        f"Not measured: the angle would be uncertain by more than {widest_deg:.0f} degrees either way "
        f"({half:.0f}). Film again squarely in the view that the movement needs, phone upright, whole body in the picture, "
        "good light, close-fitting clothes."
    )


def kind_of(movement: Movement) -> Kind:
    """Return how the angle is measured."""
    return "axial_rotation" if movement.kind == "axial_rotation" else "elevation"


def seen_plane(movement: Movement) -> Plane:
    """Return the plane of an elevation; rotation at the side is seen like a movement in the frontal plane."""
    return "frontal" if movement.plane == "transverse" else movement.plane


def plane_of(movement: Movement, track: PoseTrack, side: Side, view: ViewEstimate) -> PlaneDisagreement | None:
    """Return by how much the camera was off the plane of motion; None for a rotation, whose plane is level, and for a hinge."""
    if movement.kind in ("axial_rotation", "hinge"):
        return None
    return plane_of_motion(track, plane=seen_plane(movement), side=side, view=view)


def group_of(movement: Movement) -> Group:
    """Return with which others this movement's interval was calibrated."""
    if movement.kind == "axial_rotation":
        return "rotation_90" if movement.plane == "sagittal" else "rotation_side"
    return "sagittal" if movement.plane == "sagittal" else "frontal"


def _none_in_the_picture(track: PoseTrack, movement: Movement, side: Side) -> AngleCurve:
    """Return an empty curve: the upper arm points at the camera, and its length in the picture tells nothing."""
    nothing = np.full(len(track.time_s), np.nan)
    why = "Not measured: rotation with the arm raised to the side is measured by the learned method only."
    return AngleCurve(movement.name, side, track.time_s, nothing, nothing, nothing, (why,))


def _known_to_network(track: PoseTrack) -> bool:
    """Tell whether the landmarks are of a kind that the arm network learned from, and hold all that it looks at.

    Imported ones may be fewer, and another network's points lie elsewhere on the same body.
    """
    if track.model.name not in KNOWN_NETWORKS:
        return False
    whole = np.isfinite(track.landmarks_px).all(axis=(1, 2)) & np.isfinite(track.world_m).all(axis=(1, 2))
    return bool((whole & np.isfinite(track.visibility).all(axis=1)).any())
