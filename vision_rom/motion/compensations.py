"""What the rest of the body did to help the arm: a leaning or turning trunk, a bending elbow.

Each is the difference between the hold of a repetition and the rest before it, in the picture, so that a person who always stands
crooked compensates nothing. A hiked shoulder is not told: on rendered people the shoulder's mark rose by 7% of the trunk in a full
raise without any hike and by 9% with one, so the two cannot be kept apart. Nor is a drift out of the plane: from the front the plane of
elevation errs by up to 25 degrees (``motion/naming.py``), as much as the drift that would be worth telling.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from vision_rom.angles.elevation import trunk_down_px
from vision_rom.angles.vectors import angle_between_deg
from vision_rom.handover import Bools, Floats, Landmark, PoseTrack, Repetition, Side, View

REST_S = 0.6
"""How long before a repetition's start the rest is looked at, and how long after it"""
LEAN_TOLD_DEG = 5.0
"""On the calibration clips people who leaned by 12 degrees showed 6 to 8 (the trunk bends, it does not tip), the others up to 4"""
TURN_TOLD_DEG = 20.0
"""A raised arm alone shifts the estimate of the trunk's turn by up to 15 degrees on rendered people"""
ELBOW_TOLD_DEG = 25.0
"""The same: a bend of 40 degrees showed as 32 to 37, straight arms up to 18"""


@dataclass(frozen=True, slots=True)
class Compensation:
    """One way in which the body helped, over the repetitions of a reading."""

    name: str
    """``trunk lean``, ``trunk turn`` or ``elbow bend``"""
    size: float
    """Median over the repetitions; positive is away from the moving arm (from the side: backwards), or more bent"""
    unit: str
    told: bool
    """Whether it is larger than what people do who do not compensate"""
    way: str = ""
    """Of a lean, in words"""
    by_repetition: tuple[tuple[float, float], ...] = ()
    """For each repetition the middle of its hold in seconds, and the size then; NaN where it was not seen"""

    def in_words(self) -> str:
        """Return a sentence for the user."""
        if self.name == "trunk lean":
            return f"The trunk leaned by about {abs(self.size):.0f}° {self.way} while the arm was held{self._each()}."
        if self.name == "trunk turn":
            return f"The trunk turned by about {abs(self.size):.0f}° {self.way} while the arm was held{self._each()}."
        return f"The elbow was bent by about {self.size:.0f}° more in the hold than at rest{self._each()}."

    def _each(self) -> str:
        if len(self.by_repetition) < 2:
            return ""
        each = ", ".join(
            f"{abs(size):.0f}° at {time_s:.1f} s" for time_s, size in self.by_repetition if np.isfinite(size)
        )
        return f" ({each})"


def compensations(
    track: PoseTrack,
    repetitions: Sequence[Repetition],
    *,
    side: Side,
    view: View | None,
    facing_deg: Floats | None = None,
) -> tuple[Compensation, ...]:
    """Return what can be seen of compensations in a view, none without repetitions.

    The lean to the side is seen from the front or behind; from the side the lean is one forwards or backwards.
    ``facing_deg`` (n,) is the trunk's turn to the camera in each picture; None leaves the turn out.
    """
    if not repetitions:
        return ()
    px = track.landmarks_px[..., :2]
    up = -trunk_down_px(px)
    lean = np.degrees(np.arctan2(up[:, 0], -up[:, 1]))
    found = []
    if view in ("front", "back"):
        # the picture's right is the patient's left from the front; away from the arm is positive
        outward = 1.0 if (view == "front") == (side == "left") else -1.0
        away = -outward * _differences(track.time_s, lean, repetitions)
        found.append(_lean(away, "away from the moving arm", "towards the moving arm"))
    elif view in ("left_side", "right_side"):
        facing = -1.0 if view == "left_side" else 1.0
        backwards = -facing * _differences(track.time_s, lean, repetitions)
        found.append(_lean(backwards, "backwards", "forwards"))
    if facing_deg is not None:
        toward = 1.0 if side == "left" else -1.0
        found.append(_turn(toward * _differences(track.time_s, facing_deg, repetitions)))
    elbow = _elbow_bend_deg(px, side)
    found.append(_bend(_differences(track.time_s, elbow, repetitions)))
    middles = [(one.hold_start_s + one.hold_end_s) / 2 for one in repetitions]
    return tuple(
        replace(one, by_repetition=tuple(zip(middles, sizes.tolist(), strict=True)))
        for one, sizes in found
        if one is not None
    )


_Found = tuple[Compensation | None, Floats]


def _lean(sizes: Floats, way: str, other_way: str) -> _Found:
    size = _middle(sizes)
    if not np.isfinite(size):
        return None, sizes
    return Compensation("trunk lean", size, "deg", abs(size) >= LEAN_TOLD_DEG, way if size > 0 else other_way), sizes


def _turn(sizes: Floats) -> _Found:
    size = _middle(sizes)
    if not np.isfinite(size):
        return None, sizes
    way = "towards the moving arm's side" if size > 0 else "away from the moving arm's side"
    return Compensation("trunk turn", size, "deg", abs(size) >= TURN_TOLD_DEG, way), sizes


def _bend(sizes: Floats) -> _Found:
    size = _middle(sizes)
    return (Compensation("elbow bend", size, "deg", size >= ELBOW_TOLD_DEG) if np.isfinite(size) else None), sizes


def _middle(sizes: Floats) -> float:
    known = sizes[np.isfinite(sizes)]
    return float(np.median(known)) if known.size else float("nan")


def _differences(time_s: Floats, values: Floats, repetitions: Sequence[Repetition]) -> Floats:
    """Return, for each repetition, the median in its hold minus the median at rest beside it; NaN where unseen."""
    differences = []
    for one in repetitions:
        held = (time_s >= one.hold_start_s) & (time_s <= one.hold_end_s)
        rest = (np.abs(time_s - one.start_s) <= REST_S) & (time_s < one.hold_start_s)
        differences.append(_median(values, held) - _median(values, rest))
    return np.array(differences)


def _median(values: Floats, chosen: Bools) -> float:
    inside = values[chosen]
    inside = inside[np.isfinite(inside)]
    return float(np.median(inside)) if inside.size else float("nan")


def _elbow_bend_deg(px: Floats, side: Side) -> Floats:
    """Return by how much the elbow is bent in the picture (n,): 0 is straight."""
    shoulder, elbow, wrist = (px[:, Landmark.of(side, part)] for part in ("shoulder", "elbow", "wrist"))
    return angle_between_deg(elbow - shoulder, wrist - elbow)
