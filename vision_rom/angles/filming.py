"""Was the phone where it should have been? Each fault with the instruction that mends it.

The figures are our own choice after common practice, no source, except where one is named.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from vision_rom.angles.elevation import trunk_down_px
from vision_rom.angles.view import ViewEstimate
from vision_rom.handover import SIDES, Floats, Landmark, PoseTrack

FaultCode = Literal["tilt", "roll", "near", "far", "cut_off", "others", "dark"]

TILT_TOLD_FROM_DEG = 13.0
"""The guess errs by 5 degrees; phones within 6 degrees of level are told so in less than 1 of 100 recordings."""
ROLL_TOLD_FROM_DEG = 8.0
LIES_FROM_DEG = 50.0
"""Nobody stands, sits or leans like that: the phone was turned and its file does not say so"""
NEAREST_M = 1.7
FARTHEST_M = 6.0
TRUNK_M = 0.48
"""Middle of the shoulders to the middle of the hips of an adult of 1.68 m: 0.288 of stature (Drillis and Contini 1966)."""
FOCAL_PER_LONGER_SIDE = 0.9
"""Usual phone, main camera: 26 to 28 mm equivalent."""
SMALLEST_TRUNK_PX = 60.0
DARK_BELOW = 45.0
"""Mean of the picture's green, 0 to 255 (:attr:`~vision_rom.handover.PoseTrack.brightness`)"""
CUT_OFF_SHARE = 0.08
SOMEBODY_ELSE_SHARE = 0.1

_EXTREMITIES = {"a hand": ("wrist",), "an elbow": ("elbow",), "a hip": ("hip",)}


@dataclass(frozen=True, slots=True)
class Fault:
    """Something about the filming that costs accuracy."""

    code: FaultCode
    sentence: str
    """What is wrong, and what mends it"""


def filming_remarks(track: PoseTrack, view: ViewEstimate, tilt_deg: float) -> tuple[str, ...]:
    """Return the sentences of :func:`filming_faults`."""
    return tuple(one.sentence for one in filming_faults(track, view, tilt_deg))


def filming_faults(track: PoseTrack, view: ViewEstimate, tilt_deg: float) -> tuple[Fault, ...]:
    """Return everything about the filming that costs accuracy, nothing where all was well.

    ``tilt_deg`` is that of :func:`vision_rom.angles.camera_tilt.camera_tilt_deg`; NaN where it is not known.
    """
    found = np.isfinite(track.landmarks_px[:, 0, 0])
    if not found.any():
        return _darkness(track)
    faults: list[tuple[FaultCode, str]] = [
        ("tilt", _tilt(tilt_deg)),
        ("roll", _roll(track, view)),
        *_distance(track, view),
        ("cut_off", _cut_off(track, found)),
        ("others", _others(track)),
    ]
    return (*(Fault(code, sentence) for code, sentence in faults if sentence), *_darkness(track))


def _tilt(tilt_deg: float) -> str:
    if not abs(tilt_deg) >= TILT_TOLD_FROM_DEG:
        return ""
    way, mend = ("up", "raise the phone") if tilt_deg > 0 else ("down", "lower the phone")
    return (
        f"The phone seems to look {way} by about {abs(tilt_deg):.0f} degrees (give or take 10): {mend} and stand it "
        "upright, so that it looks level."
    )


def _roll(track: PoseTrack, view: ViewEstimate) -> str:
    down = trunk_down_px(track.landmarks_px[..., :2])
    rest = view.rest & np.isfinite(down).all(axis=1)
    if not rest.any():
        return ""
    lean = float(np.median(np.degrees(np.arctan2(down[rest, 0], down[rest, 1]))))
    if abs(lean) < ROLL_TOLD_FROM_DEG:
        return ""
    if abs(lean) > LIES_FROM_DEG:
        how = "is upside down" if abs(lean) > 180.0 - LIES_FROM_DEG else "lies on its side"
        return (
            f"The recording {how}: turn it upright, for example with the phone's picture editor, and measure it again; angles against the "
            "vertical would be wrong, and arms are found less well."
        )
    return (
        f"At rest the trunk leaned by {abs(lean):.0f} degrees in the picture: stand the phone level, and let the patient stand "
        "or sit upright."
    )


def _distance(track: PoseTrack, view: ViewEstimate) -> list[tuple[FaultCode, str]]:
    down = trunk_down_px(track.landmarks_px[..., :2])
    length = np.hypot(down[:, 0], down[:, 1])
    rest = view.rest & np.isfinite(length)
    if not rest.any():
        return []
    trunk_px = float(np.median(length[rest]))
    distance_m = FOCAL_PER_LONGER_SIDE * max(track.width_px, track.height_px) * TRUNK_M / trunk_px
    faults: list[tuple[FaultCode, str]] = []
    if distance_m < NEAREST_M:
        near = f"The phone was near, at about {distance_m:.1f} m: move it back to about 3 m, for perspective bends the angles."
        faults.append(("near", near))
    if trunk_px < SMALLEST_TRUNK_PX:
        small = (
            f"The patient is small in the picture (trunk {trunk_px:.0f} pixels long): come nearer, to about 3 m, or record "
            "with more pixels."
        )
        faults.append(("far", small))
    elif distance_m > FARTHEST_M:
        far = f"The phone was far away, at about {distance_m:.0f} m: come nearer, to about 3 m, and do not zoom."
        faults.append(("far", far))
    return faults


def _cut_off(track: PoseTrack, found: np.ndarray) -> str:
    for words, parts in _EXTREMITIES.items():
        outside = np.zeros(int(found.sum()), np.bool_)
        for mark in [Landmark.of(side, part) for side in SIDES for part in parts]:
            x, y = track.landmarks_px[found, mark, 0], track.landmarks_px[found, mark, 1]
            outside |= (x < 0) | (x >= track.width_px) | (y < 0) | (y >= track.height_px)
        share = float(outside.mean())
        if share > CUT_OFF_SHARE:
            return (
                f"In {share:.0%} of the pictures {words} was outside: move the phone back or turn it, until hips and both hands "
                "stay in the picture in every position."
            )
    return ""


def _others(track: PoseTrack) -> str:
    if not track.people.size or float((track.people > 1).mean()) <= SOMEBODY_ELSE_SHARE:
        return ""
    return "Somebody else was in the picture: leave only the patient in view, or say with --person who it is."


def _darkness(track: PoseTrack) -> tuple[Fault, ...]:
    light: Floats = track.brightness[np.isfinite(track.brightness)]
    if not light.size or float(np.median(light)) >= DARK_BELOW:
        return ()
    sentence = "The pictures are dark: light the patient from the front, and do not film against a window."
    return (Fault("dark", sentence),)
