"""The 95% interval of a reading by the arm network, calibrated on rendered people that the network never saw.

Split-conformal: on clips of other people the error of each held value was divided by the error that was expected of it
(:func:`expected_error_deg`); the factor of a group is the quantile of those ratios that makes 95% of new readings hold
(Vovk, Gammerman, Shafer, "Algorithmic learning in a random world", 2005; Lei et al., J Am Stat Assoc 2018;113:1094).
The factors arrive as arguments; where they lie and how they are made stands in ``learned/CARD.md``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from vision_rom.handover import Floats, Repetition, SmoothCurve

Group = Literal["frontal", "sagittal", "rotation_side", "rotation_90"]
"""What is calibrated together: elevations seen from the front or from behind, those seen from the side, rotations."""

LEAST_EXPECTED_DEG = 1.0
"""No reading expects less, whatever the network says of itself; assumed."""

SHARE_OF_CHANCE = 0.2
"""Share of a repetition's squared error that the next repetition does not share: it shrinks with their number;
assumed, for the clips that calibrate have mostly one repetition."""

DISAGREEMENT_WEIGHT = 0.3
"""How much of the difference between the network and the plain angle in the picture is taken as expected error."""


@dataclass(frozen=True, slots=True)
class IntervalFactors:
    """Half width of the 95% interval per degree of expected error, for each group."""

    square: Mapping[str, float]
    """For recordings whose camera stood where it should"""
    off: Mapping[str, float]
    """For the others; the same where there are too few clips to tell them apart"""
    clips: Mapping[str, int]
    """How many clips each group rests on"""
    picture: Mapping[str, float] = field(default_factory=dict)
    """For the plain angle: what its own interval is multiplied by, for each group that has one"""

    def of(self, group: Group, *, square: bool) -> float:
        """Return the factor for one recording."""
        return (self.square if square else self.off)[group]


def expected_error_deg(sd_deg: float, disagreement_deg: float) -> float:
    """Return the error that is expected of one held value.

    Parameters
    ----------
    sd_deg
        Median over the hold of what the network expects of itself (``ArmDirections.elevation_sd_deg``).
    disagreement_deg
        Between the network's held value and the plain angle in the picture at the same time; NaN counts as 0.

    """
    apart = DISAGREEMENT_WEIGHT * disagreement_deg if np.isfinite(disagreement_deg) else 0.0
    return float(np.sqrt(LEAST_EXPECTED_DEG**2 + sd_deg**2 + apart**2))


def expected_errors_deg(
    repetitions: Sequence[Repetition], curve: SmoothCurve, sd_deg: Floats, picture_deg: Floats
) -> list[float]:
    """Return the expected error of each repetition.

    Parameters
    ----------
    repetitions, curve
        As found on the network's curve.
    sd_deg, picture_deg
        (n,) on the curve's source times: expected error of each picture, and the plain angle in the picture.

    """
    time = curve.source.time_s
    errors = []
    for one in repetitions:
        inside = (time >= one.hold_start_s) & (time <= one.hold_end_s)
        if not np.isfinite(sd_deg[inside]).any():
            inside = np.ones(len(time), bool)
        plain = picture_deg[inside]
        disagreement = abs(one.held_deg - float(np.nanmean(plain))) if np.isfinite(plain).any() else float("nan")
        errors.append(expected_error_deg(float(np.nanmedian(sd_deg[inside])), disagreement))
    return errors


def conformal_factor(errors_deg: Floats, expected_deg: Floats, *, level: float = 0.95) -> float:
    """Return the factor of a group from its calibration clips, both (n,).

    The (n + 1) * level-th smallest ratio, so that a new clip of the same kind is held with at least that probability;
    the largest ratio where there are too few clips for that.

    Raises
    ------
    ValueError
        With no clip at all.

    """
    ratio = np.sort(np.abs(errors_deg) / expected_deg)
    if not ratio.size:
        raise ValueError("a factor needs at least one calibration clip")
    return float(ratio[min(int(np.ceil((ratio.size + 1) * level)), ratio.size) - 1])


def with_learned_intervals(
    repetitions: Sequence[Repetition], expected_deg: Sequence[float], *, factor: float
) -> tuple[tuple[Repetition, ...], tuple[float, float]]:
    """Return the repetitions with their interval, and the interval of their mean held value."""
    filled = tuple(
        replace(one, interval95_deg=(one.held_deg - factor * error, one.held_deg + factor * error))
        for one, error in zip(repetitions, expected_deg, strict=True)
    )
    held = float(np.mean([one.held_deg for one in repetitions]))
    shrink = np.sqrt(1 - SHARE_OF_CHANCE + SHARE_OF_CHANCE / len(filled))
    half = factor * float(np.mean(expected_deg)) * float(shrink)
    return filled, (held - half, held + half)
