"""A length that the user knows, on the patient's body or marked in the picture, and the scale that follows from it."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np

from vision_rom.camera.lens import Lens
from vision_rom.camera.scale import EvenScale, scale_from_length
from vision_rom.errors import UsageError
from vision_rom.handover import SIDES, Floats, Landmark

BodyLength = Literal["upper_arm", "forearm", "spine"]
BODY_LENGTHS: tuple[BodyLength, ...] = get_args(BodyLength)
"""Tape from the acromion to the elbow's outer bony point, from there to the wrist's thumb side, from C7 down to the line of
the sacrum's two dimples"""
SHORTEST_CM, LONGEST_CM = 5.0, 250.0
TAPE_SD_CM = 1.0
"""Of a tape on a patient. Our own choice, no source."""
ROD_SD_CM = 0.5
"""Of a rod and of the two picture points that mark its ends. Our own choice, no source."""
JOINT_RELATIVE_SD = 0.06
"""How far the network's points lie from those that a tape goes to, relative to the length. Our own choice, no source."""
DEPTH_RELATIVE_SD = 0.05
"""How much nearer or farther than the trunk a rod or an arm is, relative to the distance from the camera: 12 cm at 2.5 m.
Our own choice, no source."""
HANGING_QUANTILE = 0.75
"""Of the seen lengths over a recording, of the arm that looks longer: an arm that leans towards the camera looks shorter.
Our own choice, as for the forearm of a rotation."""

HOW = (
    f"--known-length takes {', '.join(name.upper() for name in BODY_LENGTHS)} or two picture points X1,Y1,X2,Y2, then = and "
    "centimetres, such as UPPER_ARM=31 or 412,300,412,880=100"
)
_NUMBER = r"-?\d+(?:\.\d+)?"


@dataclass(frozen=True, slots=True)
class KnownLength:
    """A length in cm, and between which points it is."""

    cm: float
    part: BodyLength | None = None
    points_px: tuple[tuple[float, float], tuple[float, float]] | None = None
    """Ends of a rod in the upright picture, where ``part`` is None"""

    @property
    def words(self) -> str:
        """What it is, for a sentence."""
        what = "rod" if self.part is None else self.part.replace("_", " ")
        return f"{what} of {self.cm:g} cm"


def parse_known_length(text: str) -> KnownLength:
    """Read ``UPPER_ARM=31`` or ``X1,Y1,X2,Y2=100`` (pixels, centimetres); raise :class:`UsageError` for anything else."""
    name, equals, value = (one.strip() for one in text.partition("="))
    if not equals or not re.fullmatch(_NUMBER, value):
        raise UsageError(f"{HOW}, not {text!r}.")
    cm = float(value)
    if not SHORTEST_CM <= cm <= LONGEST_CM:
        raise UsageError(f"--known-length must be {SHORTEST_CM:g} to {LONGEST_CM:g} cm, not {cm:g}.")
    part = next((one for one in BODY_LENGTHS if one == name.lower().replace("-", "_")), None)
    if part is not None:
        return KnownLength(cm, part)
    numbers = [one.strip() for one in name.split(",")]
    if len(numbers) != 4 or not all(re.fullmatch(_NUMBER, one) for one in numbers):
        raise UsageError(f"{HOW}, not {text!r}.")
    x1, y1, x2, y2 = (float(one) for one in numbers)
    if math.hypot(x2 - x1, y2 - y1) < 20.0:
        raise UsageError("The two points of --known-length lie less than 20 px apart; mark a longer thing.")
    return KnownLength(cm, None, ((x1, y1), (x2, y2)))


def check_in_picture(known: KnownLength, *, width_px: int, height_px: int) -> None:
    """Raise :class:`UsageError` where a marked point lies outside the upright picture."""
    for x, y in known.points_px or ():
        if not (0.0 <= x < width_px and 0.0 <= y < height_px):
            raise UsageError(
                f"The point {x:g},{y:g} of --known-length lies outside the picture of {width_px} x {height_px} px."
            )


def scale_of(known: KnownLength, landmarks_px: Floats, lens: Lens | None) -> EvenScale | None:
    """Return the scale at the patient's distance; None where the part of the body was not seen.

    Parameters
    ----------
    landmarks_px : (n, 33, 2 or 3) pixels, without distortion where ``lens`` is known.
    lens : straightens the marked points; None takes them as they are.

    """
    metres = known.cm / 100.0
    if known.points_px is not None:
        first, second = np.array(known.points_px) if lens is None else lens.straighten(np.array(known.points_px))
        if not (np.isfinite(first).all() and np.isfinite(second).all()):
            return None
        return scale_from_length(first, second, metres, sd_m=ROD_SD_CM / 100.0, depth_relative_sd=DEPTH_RELATIVE_SD)
    seen_px = _seen_px(known.part, landmarks_px[..., :2])
    if not seen_px > 0.0:
        return None
    # the spine is what the distances are read along, so it is as far away as they are
    depth = 0.0 if known.part == "spine" else DEPTH_RELATIVE_SD
    return scale_from_length(
        np.zeros(2),
        np.array([seen_px, 0.0]),
        metres,
        sd_m=math.hypot(TAPE_SD_CM / 100.0, JOINT_RELATIVE_SD * metres),
        depth_relative_sd=depth,
    )


def _seen_px(part: BodyLength | None, px: Floats) -> float:
    """Return the part's length in pixels; NaN where it was not seen."""
    if part == "spine":
        shoulders = (px[:, Landmark.LEFT_SHOULDER] + px[:, Landmark.RIGHT_SHOULDER]) / 2
        hips = (px[:, Landmark.LEFT_HIP] + px[:, Landmark.RIGHT_HIP]) / 2
        return _quantile(np.linalg.norm(hips - shoulders, axis=1), 0.5)
    ends = ("shoulder", "elbow") if part == "upper_arm" else ("elbow", "wrist")
    lengths = [
        _quantile(np.linalg.norm(px[:, Landmark.of(side, ends[1])] - px[:, Landmark.of(side, ends[0])], axis=1))
        for side in SIDES
    ]
    return max((one for one in lengths if math.isfinite(one)), default=math.nan)


def _quantile(lengths: Floats, share: float = HANGING_QUANTILE) -> float:
    known = lengths[np.isfinite(lengths)]
    return float(np.quantile(known, share)) if known.size else math.nan
