"""Read a recording again from its kept landmarks, with what a person corrected.

A correction is one plain table, kept in order and undone from the end:

``{"kind": "repetitions", "movement": ..., "side": ..., "spans": [[start_s, end_s], ...]}``
    the repetitions of one reading; an empty list leaves none.
``{"kind": "pain", "marks": [[start_s, end_s, score], ...]}``
    all pain marks of the recording; the score may be null. An empty list with ``"none": true`` says that it did not hurt.
``{"kind": "point", "frame": index, "landmark": name, "x_px": x, "y_px": y}``
    one joint point on one picture.
``{"kind": "mark", "side": ..., "frame": index, "elbow": [x_px, y_px], "shoulder": [x_px, y_px]}``
    the elbow of an arm across the body, and its shoulder or null, as a person saw them in one picture. Another mark of the same side within
    1.5 s takes its place; one further away is another repetition.
``{"kind": "movement", "movement": ..., "side": ...}``
    what was recorded.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from vision_rom.errors import UsageError
from vision_rom.examination import measure_recording
from vision_rom.handover import ArmMark, Clip, Landmark, PoseTrack, Side, Step
from vision_rom.marked import ACROSS
from vision_rom.pain.recorded import PainAsked
from vision_rom.pose import PoseSettings, load_cached
from vision_rom.readings import Measurement, check_asked, with_motion
from vision_rom.recorded_pain import with_pain

SHORTEST_SPAN_S = 0.5
"""A shorter repetition holds no held value"""
SLACK_S = 0.5
"""A boundary may be drawn a little past the last picture, where the plot ends"""
SAME_REPETITION_S = 1.5
"""Marks of one side that are nearer in time are of one furthest position, and the later one counts. Our own choice."""
Pixels = Annotated[float, Field(ge=-20_000, le=20_000, allow_inf_nan=False)]
Seconds = Annotated[float, Field(ge=0, le=1e5, allow_inf_nan=False)]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class RepetitionsMarked(_Strict):
    """The repetitions of one reading."""

    kind: Literal["repetitions"]
    movement: str = Field(max_length=60)
    side: Side
    spans: tuple[tuple[Seconds, Seconds], ...] = Field(max_length=200)


class PainMarked(_Strict):
    """All pain marks of a recording."""

    kind: Literal["pain"]
    marks: tuple[tuple[Seconds, Seconds, Annotated[float, Field(ge=0, le=10)] | None], ...] = Field(max_length=200)
    none: bool = False


class PointMoved(_Strict):
    """One joint point on one picture."""

    kind: Literal["point"]
    frame: int = Field(ge=0, le=10_000_000)
    landmark: Literal[
        "left_shoulder", "right_shoulder", "left_elbow", "right_elbow", "left_wrist", "right_wrist", "left_hip", "right_hip"
    ]  # fmt: skip
    x_px: Pixels
    y_px: Pixels


class ElbowMarked(_Strict):
    """The elbow of an arm across the body, and where the person wished its shoulder, on one picture."""

    kind: Literal["mark"]
    side: Side
    frame: int = Field(ge=0, le=10_000_000)
    elbow: tuple[Pixels, Pixels]
    shoulder: tuple[Pixels, Pixels] | None = None


class MovementChosen(_Strict):
    """What was recorded."""

    kind: Literal["movement"]
    movement: str = Field(max_length=60)
    side: Side | Literal["both"]


AnyCorrection = RepetitionsMarked | PainMarked | PointMoved | ElbowMarked | MovementChosen
Correction = Annotated[AnyCorrection, Field(discriminator="kind")]


@dataclass
class Corrected:
    """What all corrections of a recording come to."""

    movement: str | None = None
    side: Side | Literal["both"] | None = None
    marked: dict[tuple[str, Side], tuple[tuple[float, float], ...]] = field(default_factory=dict)
    pain: PainMarked | None = None
    points: list[PointMoved] = field(default_factory=list)
    marks: list[ElbowMarked] = field(default_factory=list)


def in_effect(corrections: Sequence[AnyCorrection]) -> Corrected:
    """Return what the corrections come to, the later ones counting; a new movement forgets marked repetitions and elbows."""
    found = Corrected()
    for one in corrections:
        if isinstance(one, RepetitionsMarked):
            found.marked[one.movement, one.side] = checked_spans(one.spans)
        elif isinstance(one, PainMarked):
            found.pain = one
        elif isinstance(one, PointMoved):
            found.points.append(one)
        elif isinstance(one, ElbowMarked):
            found.marks.append(one)
        else:
            found.movement, found.side, found.marked, found.marks = one.movement, one.side, {}, []
    return found


def checked_spans(spans: Sequence[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    """Return the spans in order; raises UsageError where one is reversed, too short, or overlaps another."""
    ordered = tuple(sorted(spans))
    for start_s, end_s in ordered:
        if end_s - start_s < SHORTEST_SPAN_S:
            raise UsageError(
                f"A repetition from {start_s:.2f} to {end_s:.2f} s is shorter than {SHORTEST_SPAN_S:g} s, too short to hold a value."
            )
    for before, after in pairwise(ordered):
        if after[0] < before[1] - 1e-6:
            raise UsageError(f"Two repetitions overlap at {after[0]:.2f} s; move one boundary.")
    return ordered


def settings_of(document: dict[str, Any]) -> tuple[PoseSettings, dict[str, Any]]:
    """Return with which settings the landmarks of a reading document were looked for: of the pose room, and of decoding."""
    parameters = document["software"]["parameters"]
    usual = {"mirrored": False, "time_factor": 1.0, "rate_hz": 30.0}
    options = {name: parameters.get(name, value) for name, value in usual.items()}
    return PoseSettings(model=parameters.get("model", "full"), person=parameters.get("person")), options


def kept_landmarks(path: Path, results: Path, document: dict[str, Any]) -> tuple[Clip, PoseTrack]:
    """Return the facts and landmarks that a recording was measured from.

    Raises
    ------
    UsageError
        They are not there any more; the recording has to be measured again.

    """
    settings, options = settings_of(document)
    found = load_cached(results, clip_sha256=document["clip"]["sha256"], settings=settings, clip_options=options)
    if found is None:
        raise UsageError(
            "The landmarks of this recording are not kept any more; measure it again, with the button on its review page."
        )
    clip, track = found
    return replace(clip, path=path), track


def check_known(document: dict[str, Any]) -> None:
    """Raise UsageError where a recording was measured with more than is kept of it."""
    if "camera" in document["software"]["parameters"]:
        raise UsageError(
            "This recording was measured with what was known of its camera, and that is not kept: its readings can be accepted or "
            "rejected, but not corrected or measured again here."
        )


def measured_again(
    clip: Clip, track: PoseTrack, document: dict[str, Any], corrected: Corrected, *, pain: PainAsked
) -> Measurement:
    """Measure landmarks with what was corrected; nothing corrected gives the first measurement again.

    ``pain`` is what was said of it at first, which counts where no correction speaks of pain.

    Raises
    ------
    UsageError
        The movement cannot be measured, or a mark lies outside the recording.

    """
    check_known(document)
    parameters = document["software"]["parameters"]
    method = parameters["method"]
    movement = corrected.movement or parameters.get("movement")
    side = corrected.side or parameters.get("side")
    order = () if corrected.movement else tuple(Step(*one) for one in parameters.get("order", ()))
    check_asked(movement, side, method)
    track = with_points(track, corrected.points)
    _check_inside(corrected, float(track.time_s[-1]))
    if any(named == ACROSS for named, _ in corrected.marked):
        raise UsageError(
            "The repetitions of adduction across the body are the pictures that were marked; mark another one."
        )
    measurement = measure_recording(
        clip,
        track,
        movement=movement,
        side=side,
        order=order,
        method=method,
        marked=corrected.marked,
        marks=marks_in(track, corrected.marks),
    )
    read = {(one.movement, one.side) for one in measurement.readings}
    for named in corrected.marked:
        if named not in read:
            raise UsageError(f"This recording has no reading of {named[0]}, {named[1]}; choose the movement first.")
    again = replace(measurement, parameters={**parameters, **measurement.parameters})
    if document["readings"]:
        again = with_motion(again, document["readings"][0].get("motion", "active"))
    return with_pain(again, pain_asked(corrected.pain, pain))


def marks_in(track: PoseTrack, marked: Sequence[ElbowMarked]) -> tuple[ArmMark, ...]:
    """Return the marks that count, with their times.

    Raises
    ------
    UsageError
        There is no such picture.

    """
    found: list[ArmMark] = []
    for one in marked:
        time_s = float(track.time_s[_row_of(track, one.frame)])
        found = [other for other in found if other.side != one.side or abs(other.time_s - time_s) >= SAME_REPETITION_S]
        found.append(ArmMark(one.side, time_s, one.elbow, one.shoulder))
    return tuple(found)


def _row_of(track: PoseTrack, frame: int) -> int:
    row = int(np.searchsorted(track.frame_index, frame))
    if row >= len(track.frame_index) or track.frame_index[row] != frame:
        raise UsageError(f"Picture {frame} of the recording was not measured.")
    return row


def _check_inside(corrected: Corrected, ends_s: float) -> None:
    latest_s = max((end_s for spans in corrected.marked.values() for _, end_s in spans), default=0.0)
    if latest_s > ends_s + SLACK_S:
        raise UsageError(f"A repetition cannot end at {latest_s:.2f} s: the recording ends at {ends_s:.2f} s.")


def pain_asked(pain: PainMarked | None, first: PainAsked) -> PainAsked:
    """Return corrected marks in the place of the first ones, as they are typed on the command line."""
    if pain is None:
        return first
    if pain.none and pain.marks:
        raise UsageError("Either it hurt, and marks say when, or it did not hurt: not both.")
    typed = tuple(
        f"{start:.3f}-{end:.3f}" + ("" if score is None else f":{score:g}") for start, end, score in pain.marks
    )
    return replace(first, typed=typed, none=pain.none)


def with_points(track: PoseTrack, points: Sequence[PointMoved]) -> PoseTrack:
    """Return the track with the moved points, in the picture and, at their depth, in metres; the person vouches for them.

    Raises
    ------
    UsageError
        There is no such picture, or the patient was not found in it.

    """
    if not points:
        return track
    landmarks, world, visibility = track.landmarks_px.copy(), track.world_m.copy(), track.visibility.copy()
    for one in points:
        row = _row_of(track, one.frame)
        if not np.isfinite(landmarks[row]).all():
            raise UsageError("The patient was not found in this picture, so no point of it can be moved.")
        point = Landmark[one.landmark.upper()]
        to = np.array([one.x_px, one.y_px])
        shift_px = to - landmarks[row, point, :2]
        landmarks[row, point, :2] = to
        world[row, point, :2] += shift_px * _metres_a_pixel(landmarks[row], world[row])
        visibility[row, point] = 1.0
    return replace(track, landmarks_px=landmarks, world_m=world, visibility=visibility)


def _metres_a_pixel(landmarks_px: np.ndarray, world_m: np.ndarray) -> float:
    """The trunk's diagonals tell the scale; they are foreshortened alike in both."""
    pairs = (
        (Landmark.LEFT_SHOULDER, Landmark.RIGHT_HIP),
        (Landmark.RIGHT_SHOULDER, Landmark.LEFT_HIP),
        (Landmark.LEFT_SHOULDER, Landmark.LEFT_HIP),
        (Landmark.RIGHT_SHOULDER, Landmark.RIGHT_HIP),
    )
    first, second = np.array(pairs).T
    pixels = np.linalg.norm(landmarks_px[first, :2] - landmarks_px[second, :2], axis=1).sum()
    metres = np.linalg.norm(world_m[first, :2] - world_m[second, :2], axis=1).sum()
    return float(metres / max(pixels, 1e-6))
