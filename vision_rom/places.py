"""Results that are no angles: how high a hand reaches on the back, as a share of the trunk, a zone and a length."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from vision_rom.angles import ViewEstimate, find_view
from vision_rom.angles.across_body import place_across
from vision_rom.angles.behind_back import HALF_WIDTH, back_reach
from vision_rom.angles.elevation import trunk_down_px
from vision_rom.angles.vectors import midpoint
from vision_rom.camera.scale import EvenScale, PlaneScale
from vision_rom.handover import Bools, Floats, Landmark, PlaceReading, PlaceUnit, PoseTrack, Side
from vision_rom.motion.furthest import furthest_kept
from vision_rom.movements import Movement
from vision_rom.parts import stretch_around

NOT_ACROSS_WIDTHS = 0.3
"""An elbow, by the network, that never comes nearer to its shoulder from its own side than this, in shoulder widths, did not go across. Our own choice."""


def place_reading(track: PoseTrack, movement: Movement, side: Side, view: ViewEstimate) -> PlaceReading:
    """Return the result of a movement that is read as a place, or why there is none."""
    unit: PlaceUnit = "shoulder_widths" if movement.kind == "distance" else "ratio"
    if movement.kind == "distance":
        return _to_be_marked(track, movement, side, view)
    reach = back_reach(track, side=side, view=view)
    if reach.reason:
        return PlaceReading(movement.name, side, "not_measured", reach.reason, unit)
    value, start_s, end_s = furthest_kept(track.time_s, reach.ratio, smaller_is_further=movement.better == "smaller")
    if math.isnan(value):
        reason = f"Not measured: the {side} hand was not seen on the back for half a second."
        return PlaceReading(movement.name, side, "not_measured", reason, unit)
    low, high = value - HALF_WIDTH, value + HALF_WIDTH
    return PlaceReading(
        movement=movement.name,
        side=side,
        status="measured",
        reason=None,
        unit=unit,
        value=value,
        interval95=(low, high),
        zone=zone_of(movement, low, high),
        start_s=start_s,
        end_s=end_s,
    )


def _to_be_marked(track: PoseTrack, movement: Movement, side: Side, view: ViewEstimate) -> PlaceReading:
    """Return the refusal that says where to mark the elbow; without times where the arm never came across."""
    places = np.where(view.rest.any(), place_across(track, side, view), np.nan) if view.view == "front" else None
    furthest, start_s, end_s = (
        (math.nan,) * 3 if places is None else furthest_kept(track.time_s, places, smaller_is_further=True)
    )
    if not furthest < NOT_ACROSS_WIDTHS:
        reason = f"Not measured: the {side} arm was not seen from the front, raised and brought across the body; film the patient from the front."
        return PlaceReading(movement.name, side, "not_measured", reason, "shoulder_widths")
    at_s = (start_s + end_s) / 2
    reason = (
        "Not measured: from the front the forearm hides the elbow from the pose network. Mark the middle of the elbow in the picture of the "
        f"furthest position, at about {at_s:.2f} s: on the review page, or with --mark {side}_elbow@{at_s:.2f}=X,Y (pixels of the upright "
        f"picture: to_mark_{side}.jpg of the result shows them). A tape from elbow to far shoulder does without."
    )
    return PlaceReading(movement.name, side, "not_measured", reason, "shoulder_widths", start_s=start_s, end_s=end_s)


TRUNK_PER_HEIGHT = 0.288
"""Shoulder to hip, Drillis and Contini 1966 in Winter, Biomechanics and Motor Control of Human Movement."""
TRUNK_RELATIVE_SD = 0.06
"""How far people's trunks differ from the table, relative to their height (common practice, no source)."""


SHOULDERS_PER_SEEN, SHOULDERS_PER_SEEN_SD = 1.034, 0.043
"""Width between the shoulders' true centres over that between the network's, in the picture at rest; on the seen people of ``proof/across_cases.py``."""


def in_cm(place: PlaceReading, body_height_cm: float, track: PoseTrack | None = None) -> PlaceReading:
    """Return a place as centimetres too, by the body's height, with what people's proportions add to its interval.

    ``track`` tells how wide the shoulders are against the trunk, for a distance in shoulder widths.
    """
    if place.status != "measured" or place.unit == "deg":
        return place
    trunk_cm = TRUNK_PER_HEIGHT * body_height_cm
    if place.unit == "shoulder_widths":
        if track is None:
            return place
        piece, rest = _at_rest(place, track)
        trunk_px = float(np.nanmedian(np.linalg.norm(trunk_down_px(piece.landmarks_px)[rest], axis=1)))
        left, right = _shoulder_ends_px(place, track)
        width_cm = float(np.linalg.norm(left - right)) / trunk_px * trunk_cm
        return _as_distance(place, width_cm, TRUNK_RELATIVE_SD * width_cm, "the body's height")
    cm = place.value * trunk_cm
    half = math.hypot((place.interval95[1] - place.interval95[0]) / 2 * trunk_cm, 1.96 * TRUNK_RELATIVE_SD * cm)
    return replace(place, cm=cm, cm95=(cm - half, cm + half), cm_from="the body's height")


def in_cm_by_length(place: PlaceReading, track: PoseTrack, scale: EvenScale, *, source: str) -> PlaceReading:
    """Return a place as centimetres by a known length at the patient's distance.

    Parameters
    ----------
    track : landmarks as the scale was taken from: without distortion where the lens is known.
    source : what the length is, for the result.

    """
    if place.status != "measured" or place.unit == "deg":
        return place
    if place.unit == "shoulder_widths":
        shoulders = scale.length(*_shoulder_ends_px(place, track))
        return _as_distance(place, shoulders.cm, shoulders.sd_cm, source)
    trunk = scale.length(*_trunk_ends_px(place, track))
    return _as_length(place, trunk.cm, 1.96 * trunk.sd_cm, source)


BEFORE_SHEET_M, BEFORE_SHEET_SD_M = 0.4, 0.2
"""How far before the wall a patient's back is who stands with the back to the camera, and how well that is known (common
practice, no source)."""


def in_cm_by_sheet(
    place: PlaceReading, track: PoseTrack, scale: PlaneScale, *, ends: Sequence[PlaneScale] = ()
) -> PlaceReading:
    """Return a place as centimetres by a sheet on the wall behind the patient.

    Parameters
    ----------
    track : landmarks as the picture shows them; the scale knows the lens.
    scale : in the plane of the sheet.
    ends : the same by the shortest and the longest focal length that the camera may have: the patient stands before the
        sheet, and by how much that shows depends on the focal length. What they differ by goes into the interval.

    """
    if place.status != "measured" or place.unit == "deg":
        return place
    across = place.unit == "shoulder_widths"
    points = _shoulder_ends_px(place, track) if across else _trunk_ends_px(place, track)
    length = scale.before(BEFORE_SHEET_M, sd_m=BEFORE_SHEET_SD_M).length(*points)
    others = [one.before(BEFORE_SHEET_M, sd_m=BEFORE_SHEET_SD_M).length(*points).cm for one in ends]
    by_focal_cm = max((abs(one - length.cm) for one in others), default=0.0)
    half_cm = math.hypot(1.96 * length.sd_cm, by_focal_cm)
    if across:
        return _as_distance(place, length.cm, half_cm / 1.96, "the sheet on the wall")
    return _as_length(place, length.cm, half_cm, "the sheet on the wall")


def _trunk_ends_px(place: PlaceReading, track: PoseTrack) -> tuple[Floats, Floats]:
    """Return the shoulders' and the hips' middle (2,) in the pictures of the place's half second."""
    held = (track.time_s >= place.start_s) & (track.time_s <= place.end_s)
    px = track.landmarks_px[held, :, :2]
    shoulders = midpoint(px, Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER)
    hips = midpoint(px, Landmark.LEFT_HIP, Landmark.RIGHT_HIP)
    return np.nanmedian(shoulders, axis=0), np.nanmedian(hips, axis=0)


def _at_rest(place: PlaceReading, track: PoseTrack) -> tuple[PoseTrack, Bools]:
    """Return the stretch that a place was shown in, and which of its pictures (n,) show rest."""
    piece = stretch_around(track, place.start_s)
    view = find_view(piece.landmarks_px, piece.visibility, piece.world_m, network=piece.model.name)
    return piece, view.rest


def _shoulder_ends_px(place: PlaceReading, track: PoseTrack) -> tuple[Floats, Floats]:
    """Return the network's two shoulders (2,) in the pictures at rest."""
    piece, rest = _at_rest(place, track)
    px = piece.landmarks_px[rest, :, :2]
    return np.nanmedian(px[:, Landmark.LEFT_SHOULDER], axis=0), np.nanmedian(px[:, Landmark.RIGHT_SHOULDER], axis=0)


def _as_distance(place: PlaceReading, seen_cm: float, seen_sd_cm: float, source: str) -> PlaceReading:
    """Return a distance in shoulder widths with its length, by the width between the network's shoulders and its doubt."""
    width_cm = SHOULDERS_PER_SEEN * seen_cm
    cm = place.value * width_cm
    if not math.isfinite(cm):
        return place
    width_sd_cm = math.hypot(SHOULDERS_PER_SEEN * seen_sd_cm, SHOULDERS_PER_SEEN_SD * seen_cm)
    half = math.hypot((place.interval95[1] - place.interval95[0]) / 2 * width_cm, 1.96 * width_sd_cm * place.value)
    return replace(place, cm=cm, cm95=(cm - half, cm + half), cm_from=source)


def _as_length(place: PlaceReading, trunk_cm: float, trunk_half_cm: float, source: str) -> PlaceReading:
    """Return the place with its length, whose interval holds the ratio's own and the trunk's (95% either way)."""
    cm = place.value * trunk_cm
    if not math.isfinite(cm):
        return place
    half = math.hypot((place.interval95[1] - place.interval95[0]) / 2 * trunk_cm, trunk_half_cm * place.value)
    return replace(place, cm=cm, cm95=(cm - half, cm + half), cm_from=source)


def zone_of(movement: Movement, low: float, high: float) -> str:
    """Return the title of the zone that an interval of heights lies in, or of the two between which it lies."""
    lowest, highest = (next(zone for zone in reversed(movement.zones) if at <= zone.lowest_at) for at in (high, low))
    return lowest.title if lowest == highest else f"{lowest.title} to {highest.title}"
