"""Results that are no angles: how high a hand reaches on the back, as a share of the trunk, a zone and a length."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from vision_rom.angles import ViewEstimate
from vision_rom.angles.behind_back import HALF_WIDTH, back_reach
from vision_rom.angles.vectors import midpoint
from vision_rom.camera.scale import EvenScale, PlaneScale
from vision_rom.handover import Floats, Landmark, PlaceReading, PlaceUnit, PoseTrack, Side
from vision_rom.motion.furthest import furthest_kept
from vision_rom.movements import Movement

FROM_THE_FRONT = (
    "Not measured: how far an arm comes across the body shows well only from above; from the front the forearm hides the elbow, and "
    "the angle would be 16 degrees or more unsure either way. Take the distance from elbow to far shoulder with a tape."
)
"""The figure is that of ``proof/across_bench.py``; readings are refused from 15 degrees on."""


def place_reading(track: PoseTrack, movement: Movement, side: Side, view: ViewEstimate) -> PlaceReading:
    """Return the result of a movement that is read as a place, or why there is none."""
    unit: PlaceUnit = "shoulder_widths" if movement.kind == "distance" else "ratio"
    if movement.kind == "distance":
        return PlaceReading(movement.name, side, "not_measured", FROM_THE_FRONT, unit)
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


TRUNK_PER_HEIGHT = 0.288
"""Shoulder to hip, Drillis and Contini 1966 in Winter, Biomechanics and Motor Control of Human Movement."""
TRUNK_RELATIVE_SD = 0.06
"""How far people's trunks differ from the table, relative to their height (common practice, no source)."""


def in_cm(place: PlaceReading, body_height_cm: float) -> PlaceReading:
    """Return a ratio of the trunk's length as centimetres too, with what people's proportions add to its interval."""
    if place.status != "measured" or place.unit != "ratio":
        return place
    trunk_cm = TRUNK_PER_HEIGHT * body_height_cm
    cm = place.value * trunk_cm
    half = math.hypot((place.interval95[1] - place.interval95[0]) / 2 * trunk_cm, 1.96 * TRUNK_RELATIVE_SD * cm)
    return replace(place, cm=cm, cm95=(cm - half, cm + half), cm_from="the body's height")


def in_cm_by_length(place: PlaceReading, track: PoseTrack, scale: EvenScale, *, source: str) -> PlaceReading:
    """Return a ratio as centimetres by a known length at the patient's distance.

    Parameters
    ----------
    track : landmarks as the scale was taken from: without distortion where the lens is known.
    source : what the length is, for the result.

    """
    if place.status != "measured" or place.unit != "ratio":
        return place
    trunk = scale.length(*_trunk_ends_px(place, track))
    return _as_length(place, trunk.cm, 1.96 * trunk.sd_cm, source)


BEFORE_SHEET_M, BEFORE_SHEET_SD_M = 0.4, 0.2
"""How far before the wall a patient's back is who stands with the back to the camera, and how well that is known (common
practice, no source)."""


def in_cm_by_sheet(
    place: PlaceReading, track: PoseTrack, scale: PlaneScale, *, ends: Sequence[PlaneScale] = ()
) -> PlaceReading:
    """Return a ratio as centimetres by a sheet on the wall behind the patient, in the pictures of its half second.

    Parameters
    ----------
    track : landmarks as the picture shows them; the scale knows the lens.
    scale : in the plane of the sheet.
    ends : the same by the shortest and the longest focal length that the camera may have: the patient stands before the
        sheet, and by how much that shows depends on the focal length. What they differ by goes into the interval.

    """
    if place.status != "measured" or place.unit != "ratio":
        return place
    points = _trunk_ends_px(place, track)
    trunk = scale.before(BEFORE_SHEET_M, sd_m=BEFORE_SHEET_SD_M).length(*points)
    others = [one.before(BEFORE_SHEET_M, sd_m=BEFORE_SHEET_SD_M).length(*points).cm for one in ends]
    by_focal_cm = max((abs(one - trunk.cm) for one in others), default=0.0)
    return _as_length(place, trunk.cm, math.hypot(1.96 * trunk.sd_cm, by_focal_cm), "the sheet on the wall")


def _trunk_ends_px(place: PlaceReading, track: PoseTrack) -> tuple[Floats, Floats]:
    """Return the shoulders' and the hips' middle (2,) in the pictures of the place's half second."""
    held = (track.time_s >= place.start_s) & (track.time_s <= place.end_s)
    px = track.landmarks_px[held, :, :2]
    shoulders = midpoint(px, Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER)
    hips = midpoint(px, Landmark.LEFT_HIP, Landmark.RIGHT_HIP)
    return np.nanmedian(shoulders, axis=0), np.nanmedian(hips, axis=0)


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
