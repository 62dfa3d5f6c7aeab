"""Readings of a point that a person marked in the picture: adduction across the body, from the front."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from vision_rom.angles import find_view
from vision_rom.angles.across_body import LARGEST_MARK_SD_WIDTHS, MARK_SD_WIDTHS, Across, across_at
from vision_rom.errors import UsageError
from vision_rom.handover import SIDES, ArmMark, PlaceReading, PoseTrack, Reading, Repetition, Side
from vision_rom.movements import Movement
from vision_rom.movements import movement as movement_named
from vision_rom.parts import stretch_around
from vision_rom.readings import Measurement
from vision_rom.ways import WIDEST_HALF_WIDTH_DEG

ACROSS = "cross_body_adduction"
SAME_PICTURE_S = 0.02
"""Marks that lie nearer in time are of one picture."""
HOW = (
    "--mark takes a point, a time and a place in the upright picture, such as right_elbow@7.4=312,250: left_elbow or right_elbow, and where you "
    "wish the shoulder of the same arm at the same time"
)
_MARK = re.compile(r"(left|right)_(elbow|shoulder)@(\d+(?:\.\d+)?)=(-?\d+(?:\.\d+)?),(-?\d+(?:\.\d+)?)")


def parse_marks(texts: Sequence[str]) -> tuple[ArmMark, ...]:
    """Read marks as the command line takes them, ``right_elbow@SECONDS=X,Y`` and perhaps ``right_shoulder@SECONDS=X,Y``.

    Raises
    ------
    UsageError
        One cannot be read, is given twice, or a shoulder has no elbow.

    """
    points: dict[tuple[str, float], dict[str, tuple[float, float]]] = {}
    for text in texts:
        found = _MARK.fullmatch(text.strip().lower())
        if found is None:
            raise UsageError(f"{HOW}, not {text!r}.")
        side, part, *numbers = found.groups()
        time_s, x, y = (float(one) for one in numbers)
        if not all(map(math.isfinite, (time_s, x, y))):
            raise UsageError(f"{HOW}; {text[:60]!r} holds a number that is too large.")
        own = next((of for (s, at), of in points.items() if s == side and abs(at - time_s) < SAME_PICTURE_S), None)
        own = points.setdefault((side, time_s), {}) if own is None else own
        if part in own:
            raise UsageError(f"--mark names the {side} {part} at {time_s:g} s twice.")
        own[part] = (x, y)
    for (side, time_s), own in points.items():
        if "elbow" not in own:
            raise UsageError(f"--mark names the {side} shoulder at {time_s:g} s and not the elbow; mark the elbow too.")
    return tuple(
        ArmMark("left" if side == "left" else "right", time_s, own["elbow"], own.get("shoulder"))
        for (side, time_s), own in sorted(points.items())
    )


def check_marks(marks: Sequence[ArmMark], track: PoseTrack, mark_sd: float, movement: str | None) -> None:
    """Raise UsageError where a mark lies outside the recording or its pictures, or is of a movement that is read without one."""
    if marks and movement not in (None, ACROSS):
        raise UsageError(f"A mark is for adduction across the body; {movement} is read without one.")
    if not 0.0 <= mark_sd <= LARGEST_MARK_SD_WIDTHS:
        raise UsageError(
            f"The error of a mark must be 0 to {LARGEST_MARK_SD_WIDTHS:g} shoulder widths, not {mark_sd:g}."
        )
    last_s = float(track.time_s[-1]) if len(track.time_s) else 0.0
    for one in marks:
        if not 0.0 <= one.time_s <= last_s + 0.5:
            raise UsageError(f"A mark cannot be at {one.time_s:g} s: the recording ends at {last_s:.2f} s.")
        for x, y in filter(None, (one.elbow_px, one.shoulder_px)):
            if not (0.0 <= x < track.width_px and 0.0 <= y < track.height_px):
                raise UsageError(
                    f"The mark {x:g},{y:g} lies outside the picture of {track.width_px} x {track.height_px} px."
                )


def with_marks(measurement: Measurement, marks: Sequence[ArmMark], *, mark_sd: float = MARK_SD_WIDTHS) -> Measurement:
    """Return the measurement with a reading and a distance of every side that was marked, in the place of their refusal.

    Several marks of a side are several repetitions: the reading is their mean, and its interval is as wide as that of one, since one
    person's marks may all err alike.
    """
    if not marks:
        return measurement
    movement = movement_named(ACROSS)
    readings, places = list(measurement.readings), list(measurement.places)
    for side in SIDES:
        own = [one for one in marks if one.side == side]
        if not own:
            continue
        reading, place = _read(measurement.track, movement, side, own, mark_sd)
        readings.append(reading)
        before = next((one for one in places if (one.movement, one.side) == (ACROSS, side)), None)
        if place.status != "measured" and before is not None:
            # where the furthest position was found stays what it was
            place = replace(before, reason=place.reason)
        places = [one for one in places if one is not before]
        places.append(place)
    parameters = {**measurement.parameters, "mark_sd_widths": mark_sd}
    return replace(measurement, readings=tuple(readings), places=tuple(places), parameters=parameters)


def _read(
    track: PoseTrack, movement: Movement, side: Side, marks: Sequence[ArmMark], mark_sd: float
) -> tuple[Reading, PlaceReading]:
    found, kept, reasons, facing = [], [], [], []
    for one in sorted(marks, key=lambda one: one.time_s):
        piece = stretch_around(track, one.time_s)
        view = find_view(piece.landmarks_px, piece.visibility, piece.world_m, network=piece.model.name)
        read = across_at(piece, one, view, mark_sd=mark_sd)
        reason = read.reason or _too_unsure(read)
        if reason:
            reasons.append((one, reason))
            continue
        found.append(read)
        kept.append(one)
        facing.append(view.facing_deg)
    if not found:
        return _refused(movement, side, tuple(marks), reasons[0][1])
    held = float(np.mean([one.angle_deg for one in found]))
    distance = float(np.mean([one.distance for one in found]))
    half_deg = max(_half(one.angle95_deg) for one in found)
    half = max(_half(one.distance95) for one in found)
    left_out = tuple(f"The mark at {one.time_s:.1f} s was left out. {reason}" for one, reason in reasons)
    reading = Reading(
        joint=movement.joint,
        movement=movement.name,
        side=side,
        status="measured",
        reason=None,
        view="front",
        camera_off_plane_deg=float(np.mean(np.abs(facing))),
        repetitions=tuple(_repetition(mark.time_s, one) for mark, one in zip(kept, found, strict=True)),
        held_deg=held,
        peak_deg=max(one.angle_deg for one in found),
        interval95_deg=(held - half_deg, held + half_deg),
        remarks=(_in_words(kept, mark_sd), *left_out),
        marks=tuple(kept),
    )
    place = PlaceReading(
        movement=movement.name,
        side=side,
        status="measured",
        reason=None,
        unit="shoulder_widths",
        value=distance,
        interval95=(distance - half, distance + half),
        start_s=kept[0].time_s,
        end_s=kept[-1].time_s,
    )
    return reading, place


def _refused(movement: Movement, side: Side, marks: tuple[ArmMark, ...], reason: str) -> tuple[Reading, PlaceReading]:
    reading = Reading(
        movement.joint, movement.name, side, "not_measured", reason, None, math.nan, remarks=(), marks=marks
    )
    at_s = marks[0].time_s
    place = PlaceReading(movement.name, side, "not_measured", reason, "shoulder_widths", start_s=at_s, end_s=at_s)
    return reading, place


def _repetition(time_s: float, read: Across) -> Repetition:
    """One marked picture: nothing is known of the way there and back."""
    return Repetition(
        start_s=time_s,
        peak_s=time_s,
        end_s=time_s,
        peak_deg=read.angle_deg,
        held_deg=read.angle_deg,
        start_deg=math.nan,
        peak_speed_deg_s=math.nan,
        interval95_deg=read.angle95_deg,
        hold_start_s=time_s,
        hold_end_s=time_s,
    )


def _too_unsure(read: Across) -> str:
    half = _half(read.angle95_deg)
    if half <= WIDEST_HALF_WIDTH_DEG:
        return ""
    return (
        f"Not measured: with marks as unsure as stated the angle would be uncertain by more than {WIDEST_HALF_WIDTH_DEG:.0f} degrees either "
        f"way ({half:.0f}). Mark in a larger picture."
    )


def _in_words(marks: Sequence[ArmMark], mark_sd: float) -> str:
    times = ", ".join(f"{one.time_s:.2f} s" for one in marks)
    by_hand = sum(one.shoulder_px is not None for one in marks)
    shoulder = "so was its shoulder" if by_hand == len(marks) else "the shoulder is the network's"
    if 0 < by_hand < len(marks):
        shoulder = "so was its shoulder in some of them"
    return (
        f"The elbow was marked by hand in the picture at {times}; {shoulder}. The interval takes a mark to err by {mark_sd:g} shoulder widths "
        "(standard deviation). The angle counts from the arm straight out to the side: 90 is straight ahead."
    )


def _half(interval: tuple[float, float]) -> float:
    return (interval[1] - interval[0]) / 2
