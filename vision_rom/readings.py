"""From known landmarks to the readings of one movement: view, angles, smoothing, repetitions, interval."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Literal

import numpy as np

from vision_rom.angles import ViewEstimate, find_view
from vision_rom.angles.camera_tilt import camera_tilt_deg
from vision_rom.angles.filming import filming_remarks
from vision_rom.doubts import why_doubted
from vision_rom.errors import UsageError
from vision_rom.handover import (
    SIDES,
    Clip,
    Motion,
    PersonFacts,
    PlaceReading,
    PoseTrack,
    Reading,
    Repetition,
    Segment,
    Side,
    SmoothCurve,
    other_side,
)
from vision_rom.learned import load_camera_tilt
from vision_rom.motion import RepetitionResult, Smoothing, choose_movement, repetitions, repetitions_between, smooth
from vision_rom.motion.asymmetry import asymmetry_remark
from vision_rom.motion.compensations import compensations
from vision_rom.motion.dynamics import lowering_remarks, with_dynamics
from vision_rom.motion.recognition import RECOGNISED
from vision_rom.movements import Movement
from vision_rom.movements import movement as movement_named
from vision_rom.pain import Finding, ReadingPain
from vision_rom.places import place_reading
from vision_rom.spool import blocks, put_away
from vision_rom.ways import (
    DEFAULT_METHOD,
    METHOD_WORDS,
    METHODS,
    WIDEST_HALF_WIDTH_DEG,
    Method,
    RawCurve,
    arms_of,
    intervals,
    plane_of,
    raw_curve,
    too_unsure,
)

SideAsked = Literal["left", "right", "both"] | None
Spans = Sequence[tuple[float, float]]
"""Start and end of each repetition, in seconds"""
Marked = Mapping[tuple[str, Side], Spans]
"""By movement and side"""
UNKNOWN_MOVEMENT = "unknown"
LEAST_PICTURE_PX = 100
"""In a smaller picture nobody can be expected to be found. Our own choice, no source."""


@dataclass(frozen=True)
class Measurement:
    """Everything that one recording gave."""

    clip: Clip
    track: PoseTrack
    curves: tuple[SmoothCurve, ...]
    readings: tuple[Reading, ...]
    choice: str
    """Which movement and side were measured, and why."""
    parameters: dict[str, object] = field(default_factory=dict)
    """Every setting that the numbers depend on."""
    filming: tuple[str, ...] = ()
    """What about the filming costs accuracy, each with the instruction that mends it."""
    camera: tuple[str, ...] = ()
    """What is known of the camera and how, where the user asked for it."""
    pain: tuple[ReadingPain, ...] = ()
    """Pain of each reading, in their order; empty where nobody recorded pain."""
    findings: tuple[Finding, ...] = ()
    """What the examiner found besides angles."""
    segments: tuple[Segment, ...] = ()
    """What the patient did when, in a recording of several movements; empty where one movement was measured."""
    places: tuple[PlaceReading, ...] = ()
    """Results without a curve of their own: a distance, a place on the back, a sum of readings."""
    person: PersonFacts = field(default_factory=PersonFacts)
    missing: tuple[str, ...] = ()
    """Sentences for what was expected and not shown."""

    def curve_of(self, reading: Reading) -> SmoothCurve | None:
        """Return the curve that a reading was read from; None where there is none."""
        wanted = (reading.movement, reading.side)
        return next((one for one in self.curves if (one.source.movement, one.source.side) == wanted), None)


def measure_landmarks(
    clip: Clip,
    track: PoseTrack,
    *,
    movement: str | None = None,
    side: SideAsked = None,
    method: Method = DEFAULT_METHOD,
    smoothing: Smoothing | None = None,
    widest_half_width_deg: float = WIDEST_HALF_WIDTH_DEG,
    marked: Marked | None = None,
    focal_px: float | None = None,
) -> Measurement:
    """Measure a patient whose landmarks are known already: view, angles, smoothing, repetitions, readings.

    A reading whose interval is wider than ``widest_half_width_deg`` either way is refused. ``marked`` holds the start and end
    (seconds) of the repetitions that a person marked, by movement and side; the others are looked for. ``focal_px`` is the camera's
    focal length where it is known.
    """
    check_asked(movement, side, method)
    smoothing = smoothing or Smoothing()
    if movement is not None and movement_named(movement).kind in ("zone", "distance"):
        return _measure_places(clip, track, movement_named(movement), side, _parameters(smoothing, method))
    view = find_view(track.landmarks_px, track.visibility, track.world_m, network=track.model.name)
    filming = filming_remarks(track, view, camera_tilt_deg(track, view.view, load_camera_tilt()))
    names = (movement,) if movement else RECOGNISED
    arms = arms_of(track) if method == "learned" else None
    raw = {
        (name, one): put_away(raw_curve(track, movement_named(name), one, view, method, focal_px=focal_px, arms=arms))
        for name in names
        for one in SIDES
    }
    curves = {key: put_away(smooth(one.curve, settings=smoothing)) for key, one in raw.items()}
    choice = choose_movement(curves, view=view.view, wanted=movement, side=side)
    why_nobody = _why_nobody(track)
    chosen = choice.movement
    sides = choice.sides or _asked(side)
    if why_nobody or chosen is None:
        reason = why_nobody or f"{choice.why} Name the movement with --movement."
        name = movement or UNKNOWN_MOVEMENT
        readings = tuple(_refused(name, _joint(movement), one, reason, view) for one in sides)
        return Measurement(clip, track, (), readings, choice.why, _parameters(smoothing, method), filming)
    kept = [curves[chosen, one] for one in sides]
    readings = tuple(
        read_curve(
            curve,
            raw[chosen, curve.source.side],
            movement_named(chosen),
            track,
            view,
            widest_half_width_deg=widest_half_width_deg,
            speeds_trusted=clip.speeds_trusted,
            spans=(marked or {}).get((chosen, curve.source.side)),
        )
        for curve in kept
    )
    readings = with_asymmetry(readings, kept)
    if side in SIDES:
        readings = tuple(
            _told_of_other_arm(one, curves[chosen, side], curves[chosen, other_side(side)]) for one in readings
        )
    return Measurement(clip, track, tuple(kept), readings, choice.why, _parameters(smoothing, method), filming)


def _told_of_other_arm(reading: Reading, own: SmoothCurve, other: SmoothCurve) -> Reading:
    """Return the reading of an arm that was seen and kept still with the hint that the other arm did the movement."""
    seen = bool(np.isfinite(own.source.angle_deg).any())
    if reading.status == "measured" or not seen or repetitions(own).kept or not repetitions(other).kept:
        return reading
    hint = (
        f"The {other.source.side} arm made the movement: ask for that side, or give --mirrored where the recording is flipped, as "
        "by some selfie cameras or where a mirror was filmed."
    )
    return replace(reading, reason=f"{reading.reason} {hint}")


def with_asymmetry(readings: tuple[Reading, ...], curves: Sequence[SmoothCurve]) -> tuple[Reading, ...]:
    """Return the readings with a remark where two arms that moved together went apart."""
    told: dict[str, str] = {}
    found = {(one.movement, one.side): one for one in readings}
    lines = {(one.source.movement, one.source.side): one for one in curves}
    for name in {one.movement for one in readings}:
        left, right = (name, "left"), (name, "right")
        if left in lines and right in lines:
            told[name] = asymmetry_remark(found[left], found[right], lines[left], lines[right])
    return tuple(
        replace(one, compensations=(*one.compensations, told[one.movement])) if told.get(one.movement) else one
        for one in readings
    )


def with_motion(measurement: Measurement, motion: Motion) -> Measurement:
    """Return the measurement with who moved the arm noted in every reading."""
    return replace(measurement, readings=tuple(replace(one, motion=motion) for one in measurement.readings))


def _measure_places(
    clip: Clip, track: PoseTrack, movement: Movement, side: SideAsked, parameters: dict[str, object]
) -> Measurement:
    """Read a movement that ends in a place; a side that was not asked for and shows nothing is left out."""
    view = find_view(track.landmarks_px, track.visibility, track.world_m, network=track.model.name)
    places = tuple(place_reading(track, movement, one, view) for one in _asked(side))
    # what waits for a mark was shown too
    shown = tuple(one for one in places if one.status == "measured" or math.isfinite(one.start_s))
    return Measurement(
        clip,
        track,
        (),
        (),
        f"{movement.title} was asked for.",
        parameters,
        filming_remarks(track, view, camera_tilt_deg(track, view.view, load_camera_tilt())),
        places=places if side is not None or not shown else shown,
    )


def read_curve(
    curve: SmoothCurve,
    raw: RawCurve,
    movement: Movement,
    track: PoseTrack,
    view: ViewEstimate,
    *,
    widest_half_width_deg: float = WIDEST_HALF_WIDTH_DEG,
    speeds_trusted: bool = True,
    spans: Spans | None = None,
) -> Reading:
    """Turn one smoothed curve into the reading of its movement and side, or into the reason why there is none.

    Without ``speeds_trusted`` (:attr:`Clip.speeds_trusted`) speeds, durations and smoothness stay NaN, and nothing is said of how
    the arm came down; angles hold.
    """
    side = curve.source.side
    found = repetitions(curve) if spans is None else repetitions_between(curve, spans)
    plane = plane_of(movement, track, side, view)
    if plane is not None:
        off_plane_deg = plane.off_plane_deg
    else:
        # a hinge is seen squarely from the side, a rotation when the trunk faces the camera
        off_plane_deg = abs(abs(view.facing_deg) - 90.0) if movement.kind == "hinge" else abs(view.facing_deg)
    if not found.kept:
        reason = _why_none(curve, found)
        return replace(_refused(movement.name, movement.joint, side, reason, view), camera_off_plane_deg=off_plane_deg)
    reason = why_doubted(found.kept, raw, movement, track, side)
    if reason:
        return replace(_refused(movement.name, movement.joint, side, reason, view), camera_off_plane_deg=off_plane_deg)
    kept, reading95_deg = intervals(found.kept, curve, raw, movement, track, view, plane)
    reason = too_unsure(reading95_deg, widest_deg=widest_half_width_deg)
    if reason:
        return replace(_refused(movement.name, movement.joint, side, reason, view), camera_off_plane_deg=off_plane_deg)
    if speeds_trusted:
        kept, lowering = with_dynamics(kept, curve), lowering_remarks(kept, curve)
    else:
        kept, lowering = tuple(replace(one, peak_speed_deg_s=float("nan")) for one in kept), ()
    held = [one.held_deg for one in kept]
    dropped = [f"{one.start_s:.1f} to {one.end_s:.1f} s left out: {one.reason}" for one in found.dropped]
    return Reading(
        joint=movement.joint,
        movement=movement.name,
        side=side,
        status="measured",
        reason=None,
        view=view.view,
        camera_off_plane_deg=off_plane_deg,
        repetitions=kept,
        held_deg=float(np.mean(held)),
        peak_deg=max(one.peak_deg for one in kept),
        interval95_deg=reading95_deg,
        vertical_held_deg=mean_known([one.vertical_held_deg for one in kept]),
        compensations=_helped(movement, track, kept, side, view),
        remarks=(*view.remarks, *curve.source.remarks, *found.remarks, *dropped, *lowering),
    )


def _helped(
    movement: Movement, track: PoseTrack, kept: tuple[Repetition, ...], side: Side, view: ViewEstimate
) -> tuple[str, ...]:
    """Sentences for what the trunk and the elbow did; a rotation has its elbow bent by definition, and so has an elbow's own movement."""
    found = compensations(track, kept, side=side, view=view.view, facing_deg=view.per_frame_deg)
    return tuple(
        one.in_words()
        for one in found
        if one.told and not (one.name == "elbow bend" and movement.kind in ("axial_rotation", "hinge"))
    )


def _why_nobody(track: PoseTrack) -> str:
    if not any(np.isfinite(track.landmarks_px[rows]).any() for rows in blocks(len(track.time_s))):
        if min(track.width_px, track.height_px) < LEAST_PICTURE_PX:
            return (
                f"No person was found, for the picture is {track.width_px} x {track.height_px} px only; record at "
                "480 px or more and send the original file."
            )
        return "No person was found in the recording; film the whole upper body and the hips, in good light, from 2 to 4 m."
    return ""


def _why_none(curve: SmoothCurve, found: RepetitionResult) -> str:
    """Say why a curve gave no repetition: what hid the landmarks first, then what the arm did."""
    nothing_seen = not np.isfinite(curve.source.angle_deg).any()
    sentences = [*(curve.source.remarks if nothing_seen else ())]
    if not sentences:
        sentences = [
            *(f"{one.start_s:.1f} to {one.end_s:.1f} s: {one.reason}." for one in found.dropped),
            *found.remarks,
        ]
        sentences += curve.source.remarks
    return " ".join(sentences) or "No repetition was found."


def _refused(name: str, joint: str, side: Side, reason: str, view: ViewEstimate) -> Reading:
    return Reading(joint, name, side, "not_measured", reason, view.view, float("nan"))


def _joint(movement: str | None) -> str:
    return movement_named(movement).joint if movement else "shoulder"


def _asked(side: SideAsked) -> tuple[Side, ...]:
    return SIDES if side is None or side == "both" else (side,)


def check_asked(movement: str | None, side: SideAsked, method: Method) -> None:
    """Raise UsageError where movement, side or method is none that can be asked for."""
    if movement is not None and movement_named(movement).status == "planned":
        raise UsageError(f"The movement {movement!r} is in the catalogue, but this version does not measure it yet.")
    if side not in (None, "left", "right", "both"):
        raise UsageError(f"The side must be left, right or both, not {side!r}.")
    if method not in METHODS:
        raise UsageError(f"The method must be {' or '.join(METHODS)}, not {method!r}.")


def _parameters(smoothing: Smoothing, method: Method) -> dict[str, object]:
    return {"method": method, "method_in_words": METHOD_WORDS[method], "smoothing": asdict(smoothing)}


def mean_known(values: list[float]) -> float:
    """Return the mean of the values that are known; NaN where none is."""
    finite = [value for value in values if np.isfinite(value)]
    return float(np.mean(finite)) if finite else float("nan")
