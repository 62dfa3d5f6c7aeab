"""How far an arm comes across the body, seen from the front, by an elbow that a person marked in the picture.

The pose network misplaces the elbow that the forearm hides, so its own landmarks are not enough (``proof/across_bench.py``). What it places
well goes with the mark: the shoulders, and the resting trunk's turn to the camera. The elbow's place across from its shoulder, in
shoulder widths at rest, and the turn give angle and distance by a straight line each.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from vision_rom.angles.elevation import trunk_down_px
from vision_rom.angles.vectors import along_and_across, wrapped_deg
from vision_rom.angles.view import ViewEstimate
from vision_rom.handover import ArmMark, Bools, Floats, Landmark, PoseTrack, Side, other_side

MARK_SD_WIDTHS = 0.05
"""Assumed standard deviation of a mark, along one direction of the picture, in shoulder widths: 1.8 cm where the shoulders' centres are 0.36 m apart.
Our own choice, no source. Two people who marked 5000 everyday pictures for the COCO keypoints differed more (distances of 0.079 at shoulders and 0.072 at
elbows of the square root of the person's area, cocodataset.org, "Tuning OKS"), about 0.08 along one direction where both err alike; those were pictures of
all kinds and sizes, marked in bulk. State a larger one where you mark less carefully: it widens the interval."""
LARGEST_MARK_SD_WIDTHS = 0.5
AROUND_S = 0.25
"""The network's shoulders are taken by their median over this time either way."""


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line through the elbow's place and the trunk's turn."""

    at_zero: float
    per_width: float
    """For each shoulder width of the elbow's place, counted from its shoulder towards the arm's own side"""
    per_turn_deg: float
    """For each degree of the resting trunk's turn, positive with the arm's side forward"""
    sd: float
    """What is left with true joint centres"""

    def at(self, place: float, turn_deg: float) -> float:
        """Return the value."""
        return self.at_zero + self.per_width * place + self.per_turn_deg * turn_deg

    def half_width(self, mark_sd: float, marks: int) -> float:
        """Return the 95% interval's half-width where ``marks`` of the two points were marked with an error of ``mark_sd`` shoulder widths."""
        return STUDENT * float(np.sqrt(self.sd**2 * (1.0 + 1.0 / PEOPLE) + marks * (self.per_width * mark_sd) ** 2))


PEOPLE = 50
STUDENT = 2.012
"""Student's t, 97.5%, of 47 degrees of freedom (three figures of a line from 50 people)"""
NETWORK_SHOULDER, MARKED_SHOULDER = "shoulder by the network", "shoulder marked"
LINES: Mapping[str, tuple[Line, Line]] = {
    NETWORK_SHOULDER: (Line(101.1722, -71.7648, -1.1682, 5.7346), Line(1.206, 0.747, 0.0121, 0.0665)),
    MARKED_SHOULDER: (Line(91.941, -75.8275, -1.1556, 4.8873), Line(1.3036, 0.7932, 0.012, 0.0566)),
}
"""Angle (deg) and distance (shoulder widths) by where the shoulder came from. Learned from the true elbows of the seen people of
``proof/across_cases.py`` by ``proof/across_marks.py``, which also made the claim on others."""

SQUARE_WITHIN_DEG = 25.0
"""A resting trunk that is turned further off the camera is refused. Those learned from were turned by up to 20 degrees."""
USUAL_TURN_DEG, TURN_WITHIN_DEG = 12.0, 20.0
"""The raised arm makes the network see the trunk turned by so much with the arm's side forward; on the seen people 12, standard deviation 4.
A change that differs by more than ``TURN_WITHIN_DEG`` from it is a trunk that turned along. Our own choice."""
LOWEST_DEG, FURTHEST_DEG = 85.0, 155.0
"""Angles outside are refused: those learned from were 94 to 146."""
OFF_LEVEL_ARMS = 0.75
"""A mark whose height differs more from the shoulder's, as a share of the hanging upper arm's length, is of no arm that is raised ahead; on the
seen people at most 0.51."""
FURTHEST_PLACE = 1.3
"""A mark further than so many hanging upper arms from its shoulder is no elbow. Our own choice."""
SHOULDERS_APART = 0.4
"""A marked shoulder that lies further from the network's than this, in shoulder widths, is doubted. Our own choice; the seen people's true centres lie
0.11 off on average."""
RAISED_TRUNKS = 0.3
"""An arm is raised whose elbow, by the network, is not further below its shoulder than this share of the trunk."""


@dataclass(frozen=True, slots=True)
class Across:
    """How far across the arm was in one marked picture; NaN with a ``reason`` where that cannot be told."""

    angle_deg: float = float("nan")
    """Plane of the raised upper arm: 0 to the side, 90 straight ahead"""
    angle95_deg: tuple[float, float] = (float("nan"), float("nan"))
    distance: float = float("nan")
    """From the elbow's centre to that of the far shoulder, in widths between the shoulders' centres"""
    distance95: tuple[float, float] = (float("nan"), float("nan"))
    reason: str = ""


def across_at(track: PoseTrack, mark: ArmMark, view: ViewEstimate, *, mark_sd: float = MARK_SD_WIDTHS) -> Across:
    """Return angle and distance by a mark, or why there are none.

    Parameters
    ----------
    track : the recording, or the stretch of it in which the patient faces the camera, with rest.
    view : of ``track``.
    mark_sd : standard deviation of a mark along one direction, shoulder widths.

    """
    x, y = mark.elbow_px
    if not (0.0 <= x < track.width_px and 0.0 <= y < track.height_px):
        return Across(
            reason=f"Not measured: the elbow's mark {x:g},{y:g} lies outside the picture of {track.width_px} x {track.height_px} px."
        )
    if view.view != "front" or not abs(view.facing_deg) <= SQUARE_WITHIN_DEG:
        return Across(
            reason="Not measured: how far an arm comes across the body is read from the front, with the trunk turned off the camera by "
            f"{SQUARE_WITHIN_DEG:.0f} degrees at most; film the patient squarely from the front."
        )
    return _read(track, mark, view, mark_sd)


def _read(track: PoseTrack, mark: ArmMark, view: ViewEstimate, mark_sd: float) -> Across:
    seen = marked_place(track, mark, view)
    if not np.isfinite([seen.place, seen.below_arms, seen.turned_deg]).all():
        return Across(
            reason="Not measured: the patient was not seen in the marked picture and at rest; mark another picture."
        )
    if seen.apart_arms > FURTHEST_PLACE or abs(seen.below_arms) > OFF_LEVEL_ARMS:
        return Across(
            reason="Not measured: the elbow's mark lies too far from the shoulder, or too high or low, for an arm that is raised ahead to "
            "shoulder height; mark the middle of the elbow in a picture of the furthest position."
        )
    if seen.shoulders_apart > SHOULDERS_APART:
        return Across(
            reason="Not measured: the marked shoulder and the one that the network sees lie far apart; mark the middle of the shoulder of the "
            "same arm, or leave it to the network."
        )
    if abs(seen.turned_deg - USUAL_TURN_DEG) > TURN_WITHIN_DEG:
        return Across(
            reason="Not measured: the trunk turned along with the arm; ask the patient to keep it still, and film again."
        )
    marks = 1 if mark.shoulder_px is None else 2
    angle, distance = LINES[NETWORK_SHOULDER if mark.shoulder_px is None else MARKED_SHOULDER]
    angle_deg, apart = angle.at(seen.place, seen.turn_deg), distance.at(seen.place, seen.turn_deg)
    if not LOWEST_DEG <= angle_deg <= FURTHEST_DEG:
        return Across(
            reason=f"Not measured: by the mark the arm would be at {angle_deg:.0f} degrees, where 90 is straight ahead, and from "
            f"{LOWEST_DEG:.0f} to {FURTHEST_DEG:.0f} can be read; mark the middle of the elbow at the furthest position."
        )
    half_deg, half = angle.half_width(mark_sd, marks), distance.half_width(mark_sd, marks)
    return Across(angle_deg, (angle_deg - half_deg, angle_deg + half_deg), apart, (apart - half, apart + half))


@dataclass(frozen=True, slots=True)
class MarkedPlace:
    """What a mark and the network's landmarks say together; NaN where a part was not seen."""

    place: float
    """Of the elbow across from its shoulder, towards the arm's own side, in widths of the resting shoulders"""
    turn_deg: float
    """Of the resting trunk, positive with the arm's side forward"""
    below_arms: float
    """How far the elbow lies below its shoulder, as a share of the upper arm's length at rest"""
    apart_arms: float
    """How far it lies from its shoulder at all"""
    turned_deg: float
    """How far the trunk looks turned from rest in the marked picture, positive with the arm's side forward"""
    shoulders_apart: float
    """From the shoulder that was taken to the network's, in widths of the resting shoulders; 0 without a marked one"""


def marked_place(track: PoseTrack, mark: ArmMark, view: ViewEstimate) -> MarkedPlace:
    """Return where the marked elbow lies, against a marked shoulder or else the network's."""
    near = np.abs(track.time_s - mark.time_s) <= AROUND_S
    px = track.landmarks_px[..., :2]
    shoulder_row, elbow_row = Landmark.of(mark.side, "shoulder"), Landmark.of(mark.side, "elbow")
    down = _median(trunk_down_px(px)[view.rest])
    width = _median(_apart(px, Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER)[view.rest])
    arm = _median(_apart(px, shoulder_row, elbow_row)[view.rest])
    network = _median(px[near, shoulder_row])
    shoulder = network if mark.shoulder_px is None else np.array(mark.shoulder_px)
    upper_arm = np.array(mark.elbow_px) - shoulder
    below, across = along_and_across(upper_arm, down)
    own = 1.0 if mark.side == "right" else -1.0
    turned = wrapped_deg(_median(view.per_frame_deg[near]) - view.facing_deg)
    return MarkedPlace(
        place=float(own * across / width),
        turn_deg=own * view.facing_deg,
        below_arms=float(below / arm),
        apart_arms=float(np.linalg.norm(upper_arm) / arm),
        turned_deg=float(own * turned),
        shoulders_apart=float(np.linalg.norm(shoulder - network) / width),
    )


def place_across(track: PoseTrack, side: Side, view: ViewEstimate) -> Floats:
    """(n,) place of the network's own elbow across from its shoulder, towards the arm's own side, in widths of the resting shoulders.

    NaN where the arm is not raised. Good for telling when the arm was furthest across, and not how far.
    """
    px = track.landmarks_px[..., :2]
    down = trunk_down_px(px)
    upper_arm = px[:, Landmark.of(side, "elbow")] - px[:, Landmark.of(side, "shoulder")]
    below, across = along_and_across(upper_arm, down)
    width = _median(_apart(px, Landmark.of(side, "shoulder"), Landmark.of(other_side(side), "shoulder"))[view.rest])
    raised: Bools = below < RAISED_TRUNKS * np.hypot(down[:, 0], down[:, 1])
    # clockwise of "down" is the picture's left, the own side of a right arm seen from the front
    return np.where(raised, (1.0 if side == "right" else -1.0) * across / width, np.nan)


def _apart(px: Floats, first: int, second: int) -> Floats:
    return np.asarray(np.linalg.norm(px[:, first] - px[:, second], axis=1))


def _median(values: Floats) -> Floats:
    """Median over the pictures in which something was seen; NaN where it never was."""
    seen = values[np.isfinite(values).all(axis=tuple(range(1, values.ndim)))]
    return np.asarray(np.median(seen, axis=0) if len(seen) else np.full(values.shape[1:], np.nan))
