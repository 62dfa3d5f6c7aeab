"""A recording of the whole active sequence: several movements of both sides, several views, in one take.

The recording is cut where the patient turns. In each stretch every way of an arm from rest to rest is a segment, and is named by how
the arm moved. Segments of one movement and side are measured on their own piece of the recording, as a clip of that
movement alone would be.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import groupby

import numpy as np

from vision_rom.angles import find_view
from vision_rom.angles.across_body import MARK_SD_WIDTHS
from vision_rom.angles.arm_path import ArmPath, arm_path
from vision_rom.handover import (
    SIDES,
    ArmMark,
    Clip,
    Floats,
    PlaceReading,
    PoseTrack,
    Reading,
    Segment,
    Side,
    SmoothCurve,
    Step,
)
from vision_rom.learned import load_arm_network
from vision_rom.marked import ACROSS, check_marks, with_marks
from vision_rom.motion import Smoothing
from vision_rom.motion.facing import Stretch
from vision_rom.motion.naming import UNKNOWN
from vision_rom.motion.recognition import RECOGNISED
from vision_rom.motion.segments import (
    joined_parts,
    missing_steps,
    named_by_order,
    one_hand_behind_back,
    one_sided,
    segments_of,
)
from vision_rom.movements import Movement, load_catalogue
from vision_rom.movements import movement as movement_named
from vision_rom.parts import part_of, stretches_of
from vision_rom.places import place_reading
from vision_rom.readings import Marked, Measurement, SideAsked, measure_landmarks, with_asymmetry
from vision_rom.spool import blocks, put_away
from vision_rom.ways import DEFAULT_METHOD, Method

REST_S = 0.9
"""Rest that is taken along before and after a movement where there is so much, to tell how the patient stands."""

LOOKS_ALIKE = (
    "In this view abduction and raising in the scapular plane look alike, and it was called abduction; name what was asked for with "
    "--sequence where both may occur."
)
RAISING_S = 0.3
"""Left out at both ends of a rotation with the arm raised: there the arm is still on its way. Our own choice."""

MARKED_REST_S = 1.0
"""Rest that is read along on both sides of repetitions that a person marked. Our own choice."""


@dataclass(frozen=True, slots=True)
class _Piece:
    """Segments of one movement and side that follow each other in one stretch."""

    movement: str
    side: Side
    from_s: float
    to_s: float


def segments_in(track: PoseTrack, *, order: Sequence[Step] = ()) -> tuple[Segment, ...]:
    """Return what both arms did when, in order of time.

    ``order`` is what was expected; it narrows the choice of names and settles doubtful ones.
    """
    found: list[Segment] = []
    allowed = tuple(dict.fromkeys(step.movement for step in order)) or None
    for stretch in stretches_of(track):
        piece = part_of(track, stretch.start_s, stretch.end_s)
        for side in SIDES:
            found += segments_of(
                put_away(arm_path(piece, side, network=None, facing_deg=stretch.facing_deg)),
                partial(_closer, piece, side, stretch.facing_deg),
                stretch.view,
                exchanged=piece.exchanged,
                allowed=allowed,
            )
    found.sort(key=lambda one: (one.start_s, one.side))
    found = list(joined_parts(one_hand_behind_back(found)))
    return named_by_order(found, order) if order else tuple(found)


def _closer(piece: PoseTrack, side: Side, facing_deg: float, from_s: float, to_s: float) -> ArmPath:
    return arm_path(part_of(piece, from_s, to_s), side, network=load_arm_network(), facing_deg=facing_deg)


def measure_recording(
    clip: Clip,
    track: PoseTrack,
    *,
    movement: str | None = None,
    side: SideAsked = None,
    order: Sequence[Step] = (),
    method: Method = DEFAULT_METHOD,
    smoothing: Smoothing | None = None,
    marked: Marked | None = None,
    focal_px: float | None = None,
    marks: Sequence[ArmMark] = (),
    mark_sd: float = MARK_SD_WIDTHS,
) -> Measurement:
    """Measure whatever a recording shows: the movement that was named, the one that it shows, or each of several.

    Parameters
    ----------
    movement, side : what was recorded; None leaves it open.
    order : expected movements; where given, the recording is taken for a whole examination.
    marked : start and end of the repetitions that a person marked, by movement and side.
    focal_px : the camera's focal length, where it is known.
    marks : elbows that a person marked in the picture, for adduction across the body.
    mark_sd : standard deviation of a mark along one direction, shoulder widths.

    Raises
    ------
    UsageError
        The movement, the side or a mark is none that can be.

    """
    check_marks(marks, track, mark_sd, movement)
    found = _measured(
        clip,
        track,
        movement=movement,
        side=side,
        order=order,
        method=method,
        smoothing=smoothing,
        marked=marked,
        focal_px=focal_px,
        across=bool(marks),
    )
    return with_marks(found, marks, mark_sd=mark_sd)


def _measured(
    clip: Clip,
    track: PoseTrack,
    *,
    movement: str | None,
    side: SideAsked,
    order: Sequence[Step],
    method: Method,
    smoothing: Smoothing | None,
    marked: Marked | None,
    focal_px: float | None,
    across: bool,
) -> Measurement:
    """Measure without marks; ``across`` where there are some, so that adduction across the body was shown."""
    named = partial(
        measure_landmarks, clip, track, side=side, method=method, smoothing=smoothing, marked=marked, focal_px=focal_px
    )
    if movement is not None:
        return named(movement=movement)
    # imported landmarks may lack the points or metres that movements are told apart by
    if not any(np.isfinite(track.world_m[rows]).all(axis=(1, 2)).any() for rows in blocks(len(track.time_s))):
        return named()
    segments = segments_in(track, order=order)
    if side in SIDES:
        segments = tuple(one for one in segments if one.side == side)
    shown = {one.movement for one in segments if one.movement != UNKNOWN} | ({ACROSS} if across else set())
    if order or len(shown) > 1:
        return examine_landmarks(
            clip,
            track,
            order=order,
            segments=segments,
            method=method,
            smoothing=smoothing,
            marked=marked,
            focal_px=focal_px,
        )
    if len(shown) == 1 and not shown & set(RECOGNISED) and movement_named(next(iter(shown))).status != "planned":
        [name] = shown
        surest = max((one.confidence for one in segments if one.movement == name), default=0.0)
        words = f"{movement_named(name).title} was recognised by how the arm moved (confidence {surest:.0%})."
        if not surest:
            words = f"{movement_named(name).title} was marked."
        found = named(movement=name)
        return replace(found, choice=f"{words} {found.choice.partition('. ')[2]}".strip())
    return named()


def examine_landmarks(
    clip: Clip,
    track: PoseTrack,
    *,
    order: Sequence[Step] = (),
    segments: tuple[Segment, ...] | None = None,
    method: Method = DEFAULT_METHOD,
    smoothing: Smoothing | None = None,
    marked: Marked | None = None,
    focal_px: float | None = None,
) -> Measurement:
    """Measure every movement that a recording shows.

    Parameters
    ----------
    order : expected movements; empty where nothing is known.
    segments : from :func:`segments_in`, where they were found already.
    marked : start and end of the repetitions that a person marked, by movement and side.

    """
    marked = marked or {}
    if segments is None:
        segments = segments_in(track, order=order)
    # of each movement and side the best measurement and where all are: an hour may show hundreds
    measured: dict[tuple[str, Side], tuple[_Piece, Measurement]] = {}
    shown: dict[tuple[str, Side], list[_Piece]] = {}
    by_mark: dict[tuple[str, Side], list[PlaceReading]] = {}
    for piece in _with_marked(_pieces(track, segments), marked):
        part = part_of(track, piece.from_s, piece.to_s)
        if movement_named(piece.movement).status != "measured":
            view = find_view(part.landmarks_px, part.visibility, part.world_m, network=part.model.name)
            found = place_reading(part, movement_named(piece.movement), piece.side, view)
            by_mark.setdefault((piece.movement, piece.side), []).append(found)
            continue
        whole = measure_landmarks(
            clip,
            part,
            movement=piece.movement,
            side=piece.side,
            method=method,
            smoothing=smoothing,
            marked=marked,
            focal_px=focal_px,
        )
        key = (piece.movement, piece.side)
        shown.setdefault(key, []).append(piece)
        if key not in measured or _worth(whole) > _worth(measured[key][1]):
            measured[key] = (piece, whole)
    readings: list[Reading] = []
    curves: list[SmoothCurve] = []
    places: list[PlaceReading] = []
    filming: dict[str, None] = {}
    parameters: dict[str, object] = {}
    for key in sorted(measured, key=_usual_order):
        piece, chosen = measured[key]
        others = [other for other in shown[key] if other is not piece]
        readings += [_with_remarks(one, piece, others, expected=bool(order)) for one in chosen.readings]
        curves += [put_away(_on_whole(one, track)) for one in chosen.curves]
        places += chosen.places
        filming |= dict.fromkeys(chosen.filming)
        parameters = dict(chosen.parameters)
    for key in sorted(by_mark, key=_usual_order):
        places.append(next((one for one in by_mark[key] if math.isfinite(one.start_s)), by_mark[key][0]))
    readings = list(with_asymmetry(tuple(readings), curves))
    places += total_arcs(readings)
    lacking = missing_steps(segments, order) if order else one_sided(segments)
    return Measurement(
        clip=clip,
        track=track,
        curves=tuple(curves),
        readings=tuple(readings),
        choice=_in_words(segments),
        parameters=parameters,
        filming=tuple(filming),
        segments=segments,
        places=tuple(places),
        missing=tuple(_missing_in_words(one, expected=bool(order)) for one in lacking),
    )


def _with_marked(pieces: Iterable[_Piece], marked: Marked) -> Iterator[_Piece]:
    """Yield the pieces; where a person marked repetitions, one piece that holds all of them and some rest."""
    for piece in pieces:
        if (piece.movement, piece.side) not in marked:
            yield piece
    for (name, side), spans in marked.items():
        if spans:
            yield _Piece(
                name, side, min(one[0] for one in spans) - MARKED_REST_S, max(one[1] for one in spans) + MARKED_REST_S
            )


def total_arcs(readings: Sequence[Reading]) -> list[PlaceReading]:
    """Return the sum of readings for each movement of the catalogue that is one, of each side that shows a part of it."""
    found = {(one.movement, one.side): one for one in readings}
    return [
        _sum(movement, side, [found.get((name, side)) for name in movement.parts])
        for movement in load_catalogue()
        for side in SIDES
        if movement.kind == "sum" and any((name, side) in found for name in movement.parts)
    ]


def _sum(movement: Movement, side: Side, parts: Sequence[Reading | None]) -> PlaceReading:
    known = [one for one in parts if one is not None and one.status == "measured"]
    if len(known) < len(parts):
        measured = {one.movement for one in known}
        lacking = " and ".join(name.replace("_", " ") for name in movement.parts if name not in measured)
        reason = f"Not measured: a part of the sum is missing ({lacking})."
        return PlaceReading(movement.name, side, "not_measured", reason, "deg")
    held = sum(one.held_deg for one in known)
    # the parts' errors are taken as independent
    half = math.hypot(*((one.interval95_deg[1] - one.interval95_deg[0]) / 2 for one in known))
    return PlaceReading(movement.name, side, "measured", None, "deg", held, (held - half, held + half))


def _on_whole(curve: SmoothCurve, track: PoseTrack) -> SmoothCurve:
    """Return a curve whose source has a row for each picture of the recording, NaN outside its piece."""
    source = curve.source
    rows = np.searchsorted(track.time_s, source.time_s)

    def spread(values: Floats) -> Floats:
        whole = np.full(len(track.time_s), np.nan)
        whole[rows] = values
        return whole

    outliers = np.zeros(len(track.time_s), np.bool_)
    outliers[rows] = curve.outliers
    whole = replace(
        source,
        time_s=track.time_s,
        angle_deg=spread(source.angle_deg),
        vertical_deg=spread(source.vertical_deg),
        visibility=spread(source.visibility),
    )
    return replace(curve, source=whole, outliers=outliers)


def _pieces(track: PoseTrack, segments: Sequence[Segment]) -> Iterator[_Piece]:
    """Yield runs of equal segments with the rest around them, and nothing of the same arm's other movements."""
    for stretch in stretches_of(track):
        for side in SIDES:
            own = [one for one in segments if one.side == side and _inside(one, stretch)]
            spans = sorted({(one.start_s, one.end_s) for one in own})
            for (movement, _), group in groupby(own, key=lambda one: (one.movement, one.side)):
                run = tuple(group)
                if movement == UNKNOWN:
                    continue
                first, last = run[0].start_s, run[-1].end_s
                before = max((end for _, end in spans if end <= first), default=stretch.start_s)
                after = min((start for start, _ in spans if start >= last), default=stretch.end_s)
                rest_s = _rest_s(movement_named(movement))
                yield _Piece(movement, side, max(before, first - rest_s), min(after, last + rest_s))


def _rest_s(movement: Movement) -> float:
    """Return how much rest to take along.

    None for rotation with the arm raised: the hanging arm before it looks like another movement to the arm network, which learned that one
    from the raised arm alone.
    """
    return -RAISING_S if movement.kind == "axial_rotation" and movement.plane == "sagittal" else REST_S


def _inside(segment: Segment, stretch: Stretch) -> bool:
    middle = (segment.start_s + segment.end_s) / 2
    return stretch.start_s <= middle <= stretch.end_s


def _worth(measurement: Measurement) -> tuple[bool, float]:
    """Prefer what was measured, then the larger angle, or the higher reach."""
    for reading in measurement.readings:
        return reading.status == "measured", reading.held_deg if reading.status == "measured" else 0.0
    for place in measurement.places:
        return place.status == "measured", -place.value if place.status == "measured" else 0.0
    return False, 0.0


def _with_remarks(reading: Reading, piece: _Piece, others: Sequence[_Piece], *, expected: bool) -> Reading:
    if reading.movement == "abduction" and not expected and reading.view in ("front", "back"):
        reading = replace(reading, remarks=(*reading.remarks, LOOKS_ALIKE))
    if not others:
        return reading
    times = ", ".join(f"{one.from_s:.1f} to {one.to_s:.1f} s" for one in others)
    told = f"Shown again at {times}; the larger reading, from {piece.from_s:.1f} to {piece.to_s:.1f} s, was kept."
    return replace(reading, remarks=(*reading.remarks, told))


def _usual_order(key: tuple[str, Side]) -> tuple[int, str, str]:
    names = [one.name for one in load_catalogue()]
    return names.index(key[0]), key[0], key[1]


def _in_words(segments: Sequence[Segment]) -> str:
    named = [one for one in segments if one.movement != UNKNOWN]
    if not segments:
        return "No arm left rest far enough to be a movement."
    movements = list(dict.fromkeys(one.movement.replace("_", " ") for one in named))
    words = f"{len(segments)} segments were found; {len(named)} were named: {', '.join(movements)}."
    unknown = len(segments) - len(named)
    if unknown:
        words += f" {unknown} could not be named for sure and {'was' if unknown == 1 else 'were'} not measured."
    return words


def _missing_in_words(step: Step, *, expected: bool) -> str:
    name = step.movement.replace("_", " ")
    if expected:
        return f"Missing: {name}, {step.side}, was expected and not recognised in the recording."
    return f"Missing: {name} was shown by one side only; the {step.side} side is missing."
