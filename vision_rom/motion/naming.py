"""Which movement an excursion of an arm was, by how the arm moved; "unknown" where two fit about as well, or none.

Each movement has a signature: ranges of a few figures of the excursion, each with the margin by which real excursions stray from
it. A figure outside its range costs the square of its distance in margins. A name is given where its cost is small and
the next movement's is clearly larger: a wrong name is worse than none. Ranges follow from the movements' definitions, margins
were set on rendered people of ``proof/examination_cases.py`` (``SEEN_PEOPLE``); nothing here is published.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from vision_rom.angles.arm_path import ArmPath
from vision_rom.angles.vectors import median_direction_deg
from vision_rom.handover import Floats, View

UNKNOWN: Final = "unknown"
LEAST_CONFIDENCE = 0.85
"""Below it the name is withheld. Our own choice."""
UNKNOWN_COST = 6.0
"""Cost of being none of the known movements: a figure two and a half margins out."""

BENT_FROM_DEG = 50.0
RAISED_FROM_DEG = 55.0
PLANE_FROM_DEG, PLANE_TO_DEG = 35.0, 130.0
"""Elevations between which the plane of elevation means something"""


@dataclass(frozen=True, slots=True)
class Shape:
    """Figures of one excursion; degrees, or trunk lengths for places in the picture. NaN where they mean nothing."""

    elevation: float
    """Greatest that was kept up"""
    plane: float
    """Median while the upper arm was neither hanging nor overhead; at small elevations that of the furthest part"""
    elbow: float
    """Median of the furthest part"""
    elbow_most: float
    outward: float
    """Furthest outward rotation with the elbow bent and the upper arm low"""
    inward: float
    """Furthest inward rotation, as a positive angle"""
    reach: float
    """Shoulder to wrist in the picture, as a share of the hanging arm's; median while the upper arm was raised"""
    wrist_across: float
    """Furthest towards the other side"""
    wrist_highest: float
    """Least distance down the trunk: 0 at the shoulders, 1 at the hips"""
    wrist_level: float
    """The same as a median while the elbow was bent. A forearm that points at the camera is now and then found drawn up along the
    upper arm, so that the least distance alone takes a bent elbow for a bending one."""
    elbow_way: float
    """Furthest that the elbow left its place at rest"""
    wrist_rises: float
    """Highest above the middle of the time in which the upper arm was raised and the hand kept its place, in trunk lengths"""
    wrist_falls: float

    @property
    def one_way(self) -> float:
        """``outward`` less ``inward``: how much the rotation went one way."""
        return self.outward - self.inward


@dataclass(frozen=True, slots=True)
class Name:
    """A movement's name for an excursion."""

    movements: tuple[str, ...]
    """Mostly one; ``unknown`` where it cannot be told"""
    confidence: float
    """0 to 1, of what fits best"""
    best: tuple[str, ...]
    """What fits best, also where its name is withheld"""


Range = tuple[float, float, float]
"""Least, most, margin"""

_SIDE: Final[Sequence[View]] = ("left_side", "right_side")


@dataclass(frozen=True, slots=True)
class Signature:
    """What an excursion looks like when it is a certain movement, in the views given."""

    movements: tuple[str, ...]
    """More than one where the same excursion shows several, one after the other"""
    views: Sequence[View]
    ranges: Mapping[str, Range]
    only_if_expected: bool = False
    """The name is given only where it was expected, else withheld. From the front the plane of elevation errs by up to 25 degrees, so
    that scaption and abduction are told apart only by what was asked for."""
    unless: str = ""
    """Holds only where it is known what was expected, and this movement was not"""


_ANY: Final = np.inf
_STRAIGHT: Final[Mapping[str, Range]] = {"elbow": (0, 45, 12), "reach": (0.76, _ANY, 0.05)}
_ELBOW_AT_SIDE: Final[Mapping[str, Range]] = {
    "elevation": (0, 70, 8),
    "elbow": (65, 120, 10),
    "wrist_level": (0.39, 0.8, 0.04),
    "wrist_highest": (0.1, 0.8, 0.04),
}

_ABDUCTED_AND_BENT: Final[Mapping[str, Range]] = {
    "elevation": (60, 125, 8),
    "plane": (-40, 30, 8),
    "elbow": (60, 120, 8),
    "reach": (0, 0.7, 0.03),
}

SIGNATURES: tuple[Signature, ...] = (
    Signature(
        ("abduction",),
        ("front", "back", "oblique"),
        {"elevation": (28, 200, 3), "plane": (-45, 24, 3), "elbow_way": (0.2, _ANY, 0.03), **_STRAIGHT},
    ),
    Signature(
        ("abduction",),
        ("front", "back", "oblique"),
        {"elevation": (28, 200, 3), "plane": (-45, 50, 4), "elbow_way": (0.2, _ANY, 0.03), **_STRAIGHT},
        unless="scaption",
    ),
    Signature(
        ("scaption",),
        ("front", "back", "oblique"),
        {"elevation": (28, 200, 3), "plane": (31, 57, 3), **_STRAIGHT},
        only_if_expected=True,
    ),
    Signature(
        ("flexion",),
        ("left_side", "right_side", "oblique"),
        {"elevation": (28, 200, 3), "plane": (68, 120, 8), "elbow": (0, 45, 12), "reach": (0.82, _ANY, 0.02)},
    ),
    Signature(
        ("flexion",),
        ("front", "back"),
        {"elevation": (120, 200, 6), "plane": (68, 120, 4), "elbow": (0, 45, 12), "wrist_highest": (-2, -0.7, 0.08)},
    ),
    Signature(
        ("extension",),
        ("left_side", "right_side", "oblique"),
        {"elevation": (15, 95, 4), "plane": (-130, -55, 8), **_STRAIGHT},
    ),
    Signature(
        ("cross_body_adduction",),
        ("front",),
        {
            "elevation": (65, 125, 6),
            "plane": (68, 160, 8),
            "reach": (0, 0.62, 0.05),
            "wrist_across": (-_ANY, 0.22, 0.04),
            "wrist_highest": (-0.7, 0.25, 0.06),
        },
    ),
    Signature(
        ("external_rotation",),
        ("front",),
        {**_ELBOW_AT_SIDE, "outward": (15, _ANY, 4), "inward": (-_ANY, 26, 4), "one_way": (18, _ANY, 4)},
    ),
    Signature(
        ("internal_rotation",),
        ("front",),
        {**_ELBOW_AT_SIDE, "outward": (-_ANY, 26, 4), "inward": (15, _ANY, 4), "one_way": (-_ANY, -12, 4)},
    ),
    Signature(
        ("external_rotation", "internal_rotation"),
        ("front",),
        {**_ELBOW_AT_SIDE, "outward": (38, _ANY, 4), "inward": (38, _ANY, 4)},
    ),
    Signature(
        ("elbow_flexion",),
        ("left_side", "right_side", "oblique"),
        {"elevation": (0, 45, 8), "elbow_most": (70, _ANY, 8), "wrist_highest": (-0.4, 0.42, 0.03)},
    ),
    Signature(
        ("elbow_flexion",),
        ("front",),
        {
            "elevation": (0, 45, 8),
            "elbow_most": (70, _ANY, 8),
            "wrist_highest": (-0.4, 0.29, 0.04),
            "wrist_level": (-0.4, 0.33, 0.04),
        },
    ),
    Signature(
        ("external_rotation_90",),
        _SIDE,
        {
            **_ABDUCTED_AND_BENT,
            "wrist_highest": (-_ANY, -0.22, 0.03),
            "wrist_rises": (0.12, _ANY, 0.03),
        },
    ),
    Signature(
        ("internal_rotation_90",),
        _SIDE,
        {
            **_ABDUCTED_AND_BENT,
            "wrist_highest": (-0.16, 0.3, 0.03),
            "wrist_falls": (0.12, _ANY, 0.03),
        },
    ),
    Signature(
        ("hand_behind_back",),
        ("back",),
        {
            "elevation": (20, 65, 4),
            "plane": (-150, -25, 10),
            "elbow_most": (52, _ANY, 8),
            "elbow_way": (0.1, _ANY, 0.02),
            "wrist_across": (-0.05, 0.4, 0.04),
            "wrist_highest": (0.1, 1.15, 0.06),
        },
    ),
)


def name_of(shape: Shape, view: View, *, allowed: Sequence[str] | None = None) -> Name:
    """Name an excursion.

    Parameters
    ----------
    view : how the patient was seen.
    allowed : movements to choose among; None for all.

    """
    best_of: dict[tuple[str, ...], tuple[float, bool]] = {}
    for one in SIGNATURES:
        if view not in one.views or not _considered(one, allowed):
            continue
        cost = _cost(shape, one)
        if cost < best_of.get(one.movements, (np.inf, False))[0]:
            best_of[one.movements] = cost, one.only_if_expected and allowed is None
    costs = [(cost, movements, withheld) for movements, (cost, withheld) in best_of.items()]
    if not costs:
        return Name((UNKNOWN,), 0.0, (UNKNOWN,))
    costs.sort(key=lambda pair: pair[0])
    weights = np.exp(-0.5 * np.array([*(cost for cost, *_ in costs), UNKNOWN_COST]))
    confidence = float(weights[0] / weights.sum())
    _, best, withheld = costs[0]
    return Name((UNKNOWN,) if withheld or confidence < LEAST_CONFIDENCE else best, confidence, best)


def _considered(signature: Signature, allowed: Sequence[str] | None) -> bool:
    if allowed is None:
        return not signature.unless
    return set(signature.movements) <= set(allowed) and signature.unless not in allowed


def _cost(shape: Shape, signature: Signature) -> float:
    total = 0.0
    for figure, (least, most, margin) in signature.ranges.items():
        value = getattr(shape, figure)
        if not np.isfinite(value):
            return float(np.inf)
        total += (max(least - value, value - most, 0.0) / margin) ** 2
    return total


def shape_of(path: ArmPath, away_deg: Floats, elbow_way: Floats, resting_reach: float) -> Shape:
    """Return the figures of an excursion.

    Parameters
    ----------
    path : of the arm during the excursion alone.
    away_deg : (n,) how far it had left rest in the same pictures.
    elbow_way : (n,) how far the elbow had left its place at rest, in trunk lengths.
    resting_reach : of the hanging arm, as :attr:`ArmPath.reach`.

    """
    elevation, plane, elbow = path.elevation_deg, path.plane_deg, path.elbow_deg
    rotation, along = path.rotation_deg, path.wrist_along
    furthest = away_deg >= np.nanquantile(away_deg, 0.6)
    upright = (elevation > PLANE_FROM_DEG) & (elevation < PLANE_TO_DEG)
    told_by = upright if upright.sum() >= 3 else furthest
    bent_low = (elbow > BENT_FROM_DEG) & (elevation < RAISED_FROM_DEG)
    raised = elevation > RAISED_FROM_DEG
    level = _middle(along[raised])
    return Shape(
        elevation=_quantile(elevation, 0.9),
        plane=median_direction_deg(plane[told_by]),
        elbow=_middle(elbow[furthest]),
        elbow_most=_quantile(elbow, 0.95),
        outward=_quantile(rotation[bent_low], 0.9),
        inward=-_quantile(rotation[bent_low], 0.1),
        reach=_middle(path.reach[raised if raised.sum() >= 3 else furthest]) / resting_reach,
        wrist_across=_quantile(path.wrist_across, 0.1),
        wrist_highest=_quantile(along, 0.05),
        wrist_level=_middle(along[elbow > BENT_FROM_DEG]),
        elbow_way=_quantile(elbow_way, 0.9),
        wrist_rises=level - _quantile(along[raised], 0.05),
        wrist_falls=_quantile(along[raised], 0.95) - level,
    )


def _quantile(values: Floats, share: float) -> float:
    known = values[np.isfinite(values)]
    return float(np.quantile(known, share)) if known.size else float("nan")


def _middle(values: Floats) -> float:
    return _quantile(values, 0.5)
