"""What passes from room to room: frozen dataclasses, numpy arrays and nothing else.

Times are seconds since the first picture of the recording. Angles are degrees in the sign and zero table of
``movements/``. Pixels are those of the upright picture as a viewer sees it, x to the right, y down. NaN in an array
always means "not seen" or "not measured", never zero.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

Side = Literal["left", "right"]
View = Literal["front", "back", "left_side", "right_side", "oblique"]
Motion = Literal["active", "assisted", "passive"]
"""Who moved the arm: the patient alone, the patient with help, or the examiner alone"""
Status = Literal["measured", "not_measured"]

SIDES: tuple[Side, Side] = ("left", "right")


def other_side(side: Side) -> Side:
    """Return the opposite side."""
    return "left" if side == "right" else "right"


class Landmark(IntEnum):
    """Row of each body point in a landmark array, in the order of the BlazePose networks (33 points).

    Left and right are the person's own.
    """

    NOSE = 0
    LEFT_EYE_INNER = 1
    LEFT_EYE = 2
    LEFT_EYE_OUTER = 3
    RIGHT_EYE_INNER = 4
    RIGHT_EYE = 5
    RIGHT_EYE_OUTER = 6
    LEFT_EAR = 7
    RIGHT_EAR = 8
    MOUTH_LEFT = 9
    MOUTH_RIGHT = 10
    LEFT_SHOULDER = 11
    RIGHT_SHOULDER = 12
    LEFT_ELBOW = 13
    RIGHT_ELBOW = 14
    LEFT_WRIST = 15
    RIGHT_WRIST = 16
    LEFT_PINKY = 17
    RIGHT_PINKY = 18
    LEFT_INDEX = 19
    RIGHT_INDEX = 20
    LEFT_THUMB = 21
    RIGHT_THUMB = 22
    LEFT_HIP = 23
    RIGHT_HIP = 24
    LEFT_KNEE = 25
    RIGHT_KNEE = 26
    LEFT_ANKLE = 27
    RIGHT_ANKLE = 28
    LEFT_HEEL = 29
    RIGHT_HEEL = 30
    LEFT_FOOT_INDEX = 31
    RIGHT_FOOT_INDEX = 32

    @classmethod
    def of(cls, side: Side, part: str) -> Landmark:
        """Return the landmark of one side, as in ``Landmark.of("left", "elbow")``."""
        return cls[f"{side}_{part}".upper()]


MIRRORED_LANDMARKS: tuple[int, ...] = tuple(
    Landmark[name.replace("LEFT", "#").replace("RIGHT", "LEFT").replace("#", "RIGHT")].value
    for name in Landmark.__members__
)
"""``array[:, MIRRORED_LANDMARKS]`` exchanges left and right."""


@dataclass(frozen=True, slots=True)
class Frame:
    """One decoded picture, upright, with the time its container gives it."""

    index: int
    """Count of decoded pictures before this one; thinned pictures are counted too."""
    time_s: float
    """Seconds since the first picture of the recording, after the time factor."""
    rgb: NDArray[np.uint8]
    """(height_px, width_px, 3)"""


@dataclass(frozen=True, slots=True)
class StoredFrame:
    """One decoded picture as its file stores it: brightness and two colours apart, not yet turned upright.

    The pose networks look at a small cut-out of a picture; turning and converting all of it would cost more than the
    networks do.
    """

    index: int
    """As in :class:`Frame`"""
    time_s: float
    luma: NDArray[np.uint8]
    """(rows, columns)"""
    cb: NDArray[np.uint8]
    """(rows or half of them, columns or half of them); its first column lies on the first column of ``luma``"""
    cr: NDArray[np.uint8]
    """The same"""
    rgb_from_codes: Floats
    """(3, 4): red, green, blue, 0 to 255, are this times (luma, cb, cr, 1)"""
    stored_from_upright: Floats
    """(2, 3): column and row in ``luma`` are this times (column, row, 1) of the upright picture"""
    width_px: int
    """Of the upright picture"""
    height_px: int


@dataclass(frozen=True, slots=True)
class Clip:
    """What is known of a recording after it was read to its end."""

    path: Path
    sha256: str
    duration_s: float
    """From the first picture to the end of the last one (its own duration, else the median step)."""
    frames_decoded: int
    frame_rate_hz: float
    """1 / typical step between pictures (mean of those near the median); NaN with fewer than two pictures."""
    variable_frame_rate: bool
    rotation_deg: int
    """Clockwise turn applied to the stored picture to make it upright: 0, 90, 180 or 270."""
    mirrored: bool
    """The stored picture was flipped left to right, and was flipped back before anything was measured."""
    width_px: int
    height_px: int
    frames_declared: int | None = None
    duration_declared_s: float | None = None
    frames_thinned: int = 0
    """Decoded pictures that were passed over to come near the wanted rate."""
    time_factor: float = 1.0
    colour: str = ""
    """The rule by which the stored colours became 8-bit RGB."""
    codec: str = ""
    gaps_s: tuple[tuple[float, float], ...] = ()
    """(start, end) of steps longer than 2.5 x the median step."""
    speeds_trusted: bool = True
    """False where the rate of the pictures changes as in exported slow motion: speeds and durations mean nothing and are not given."""
    remarks: tuple[str, ...] = ()
    """Sentences for the user: damage, missing end, equal timestamps, slow motion."""


@dataclass(frozen=True, slots=True)
class PoseModel:
    """Which network saw the pictures."""

    name: str
    sha256: str
    library: str
    """Library and version that ran it."""


@dataclass(frozen=True, slots=True)
class PoseTrack:
    """The landmarks of the one patient over time; index order as in :class:`Landmark`."""

    time_s: Floats
    """(n,), strictly increasing"""
    frame_index: Ints
    """(n,)"""
    landmarks_px: Floats
    """(n, 33, 3): x, y in pixels of the upright picture, z in pixels with the hips' middle as 0, towards the
    camera negative. NaN rows where the patient was not found."""
    visibility: Floats
    """(n, 33), 0 to 1; NaN where the patient was not found."""
    world_m: Floats
    """(n, 33, 3): metres with the hips' middle as origin, x right, y down, z away from the camera."""
    width_px: int
    height_px: int
    model: PoseModel
    people: Ints = field(default_factory=lambda: np.zeros(0, np.int64))
    """(n,) people found in each picture."""
    ambiguous: Bools = field(default_factory=lambda: np.zeros(0, np.bool_))
    """(n,) more than one person could have been the patient."""
    exchanged: Bools = field(default_factory=lambda: np.zeros(0, np.bool_))
    """(n,) left and right were exchanged to keep their identity over time."""
    brightness: Floats = field(default_factory=lambda: np.zeros(0))
    """(n,) mean of each picture's green channel, 0 to 255; empty where nobody looked at pictures."""
    between: Bools = field(default_factory=lambda: np.zeros(0, np.bool_))
    """(n,) the networks did not look at this picture, since hardly anything moved from the one before to the one after it: its
    landmarks lie on a straight line between theirs. Empty where every picture was looked at."""
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class AngleCurve:
    """One angle of one side over time, as measured frame by frame."""

    movement: str
    side: Side
    time_s: Floats
    """(n,)"""
    angle_deg: Floats
    """(n,) against the trunk's axis; NaN where not measured."""
    vertical_deg: Floats
    """(n,) the same arm against the picture's vertical; NaN where that means nothing."""
    visibility: Floats
    """(n,) the least visibility of the landmarks that the angle rests on."""
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class SmoothCurve:
    """An angle curve on an even grid after gaps, outliers and Savitzky-Golay smoothing."""

    source: AngleCurve
    time_s: Floats
    """(m,) even steps"""
    angle_deg: Floats
    """(m,) NaN inside gaps"""
    vertical_deg: Floats
    """(m,)"""
    speed_deg_s: Floats
    """(m,)"""
    trusted: Bools
    """(m,) False in the extrapolated half windows at each end and beside a gap: no peak is taken there."""
    outliers: Bools
    """(n,) raw samples of ``source`` that were set aside."""
    window_s: float
    order: int


@dataclass(frozen=True, slots=True)
class Repetition:
    """One raise and return."""

    start_s: float
    peak_s: float
    end_s: float
    peak_deg: float
    """Maximum of the smoothed curve inside the repetition."""
    held_deg: float
    """Largest mean of the smoothed curve over any 0.5 s inside the repetition."""
    start_deg: float
    peak_speed_deg_s: float
    """NaN, as the durations, speeds and smoothness below, where the recording's speeds cannot be trusted"""
    interval95_deg: tuple[float, float]
    """Of ``held_deg``."""
    hold_start_s: float
    hold_end_s: float
    """The 0.5 s that ``held_deg`` is the mean of."""
    vertical_held_deg: float = float("nan")
    """The vertical-referenced value over the same 0.5 s."""
    raise_s: float = float("nan")
    """From the start until nine tenths of the way are reached"""
    hold_s: float = float("nan")
    """While the arm keeps above nine tenths of the way"""
    lower_s: float = float("nan")
    lowering_speed_deg_s: float = float("nan")
    """Fastest on the way down"""
    smoothness: float = float("nan")
    """Spectral arc length of the speed: negative, nearer to 0 the smoother; compare only at equal settings and lengths"""


@dataclass(frozen=True, slots=True)
class ArmMark:
    """Where a person who looked at one picture saw the elbow, and where they wished, the shoulder of the same arm."""

    side: Side
    time_s: float
    elbow_px: tuple[float, float]
    """In the upright picture"""
    shoulder_px: tuple[float, float] | None = None
    """None takes the network's"""


@dataclass(frozen=True, slots=True)
class Reading:
    """The result for one movement of one side."""

    joint: str
    movement: str
    side: Side
    status: Status
    reason: str | None
    """Why it was not measured, with what to do about it; None where it was."""
    view: View | None
    camera_off_plane_deg: float
    """Angle between the plane of motion and the picture's plane; NaN where unknown."""
    repetitions: tuple[Repetition, ...] = ()
    held_deg: float = float("nan")
    """Mean over repetitions of ``held_deg``."""
    peak_deg: float = float("nan")
    """Largest ``peak_deg``."""
    interval95_deg: tuple[float, float] = (float("nan"), float("nan"))
    vertical_held_deg: float = float("nan")
    remarks: tuple[str, ...] = ()
    motion: Motion = "active"
    compensations: tuple[str, ...] = ()
    """What the rest of the body did to help, in sentences; empty where nothing was seen."""
    vertical95_deg: tuple[float, float] = (float("nan"), float("nan"))
    """Of ``vertical_held_deg``, where down is known: the wider of the reading's own and the plain angle's interval, what is not known of
    down, and what the range of the camera's focal length does; NaN elsewhere."""
    marks: tuple[ArmMark, ...] = ()
    """Points that a person marked in the picture and that this was read from, where the network's were not enough"""


@dataclass(frozen=True, slots=True)
class PersonFacts:
    """What the user says of the patient, as far as published ranges depend on it."""

    age: float | None = None
    """Years"""
    sex: Literal["female", "male"] | None = None
    dominant: Side | None = None


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of a recording in which one arm leaves rest and comes back: one movement, or part of it."""

    movement: str
    """``unknown`` where it cannot be told"""
    side: Side
    start_s: float
    end_s: float
    view: View
    confidence: float
    """0 to 1, that the name is right; of the best guess where the name is withheld"""
    best_guess: str
    """The movement that fits best, also where the name is withheld"""


PlaceUnit = Literal["ratio", "shoulder_widths", "deg"]


@dataclass(frozen=True, slots=True)
class PlaceReading:
    """A result without a curve of its own.

    How high the hand reaches on the back, how far the elbow stays from the far shoulder, a sum of two readings.
    """

    movement: str
    side: Side
    status: Status
    reason: str | None
    unit: PlaceUnit
    value: float = float("nan")
    """In ``unit``; the furthest that was kept up for half a second"""
    interval95: tuple[float, float] = (float("nan"), float("nan"))
    zone: str = ""
    """Name of the place on the body, where the movement has zones"""
    start_s: float = float("nan")
    """Of the half second"""
    end_s: float = float("nan")
    cm: float = float("nan")
    """The same as a length, where a scale is known: for the hand behind the back from C7 down to the hand"""
    cm95: tuple[float, float] = (float("nan"), float("nan"))
    cm_from: str = ""
    """What the scale came from; empty where there is no length"""


@dataclass(frozen=True, slots=True)
class Step:
    """One entry of an expected order."""

    movement: str
    side: Side | Literal["both"]

    @property
    def sides(self) -> tuple[Side, ...]:
        """The sides that are to show it."""
        return SIDES if self.side == "both" else (self.side,)
