"""The interval of a reading from the curves and repetitions of a clip; the formulas are in ``interval``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from vision_rom.angles.interval import (
    ErrorTerms,
    Interval,
    Kind,
    error_terms,
    jitter_sd_deg,
    reading_interval,
    repetition_interval,
)
from vision_rom.angles.off_plane import PlaneDisagreement
from vision_rom.angles.rotation import ForearmLength
from vision_rom.angles.view import ViewEstimate
from vision_rom.handover import Repetition, SmoothCurve

LEAST_HOLD_SAMPLES = 5
"""A hold with fewer raw samples says nothing about jitter; the whole curve's jitter stands in."""


@dataclass(frozen=True, slots=True)
class Intervals:
    """The repetitions with their interval, the reading's interval, and the terms they were made of."""

    repetitions: tuple[Repetition, ...]
    reading95_deg: Interval
    terms: tuple[ErrorTerms, ...]


def with_intervals(
    repetitions: Sequence[Repetition],
    curve: SmoothCurve,
    *,
    kind: Kind,
    view: ViewEstimate,
    plane: PlaneDisagreement | None = None,
    forearm: ForearmLength | None = None,
    direction: int = 1,
) -> Intervals:
    """Fill ``interval95_deg`` of each repetition, and give the interval of their mean.

    Parameters
    ----------
    repetitions : of ``curve``.
    kind : ``elevation`` needs ``plane``, ``axial_rotation`` takes ``forearm``.
    direction : as in :func:`vision_rom.angles.angle_curve`.

    Raises
    ------
    ValueError
        Where an elevation comes without its ``plane``.
    """
    if kind == "elevation" and plane is None:
        raise ValueError("`plane` must be given for an elevation: see plane_of_motion")
    raw_time = curve.source.time_s
    raw = np.where(curve.outliers, np.nan, curve.source.angle_deg)
    finite = np.isfinite(curve.angle_deg)
    nothing = np.full(raw.shape, np.nan)
    smooth = np.interp(raw_time, curve.time_s[finite], curve.angle_deg[finite]) if finite.any() else nothing
    overall = jitter_sd_deg(raw, smooth)
    step = np.diff(raw_time)
    rate = float(1.0 / np.median(step)) if step.size else 30.0
    terms = []
    for repetition in repetitions:
        inside = (raw_time >= repetition.hold_start_s) & (raw_time <= repetition.hold_end_s) & np.isfinite(raw)
        count = int(inside.sum())
        own = jitter_sd_deg(raw[inside], smooth[inside]) if count >= LEAST_HOLD_SAMPLES else float("nan")
        terms.append(
            error_terms(
                held_deg=repetition.held_deg,
                kind=kind,
                view=view.view,
                jitter_deg=float(np.fmax(own, overall)),
                samples=max(count, 1),
                off_plane_deg=0.0 if plane is None else plane.off_plane_deg,
                off_plane_sd_deg=view.sd_deg if plane is None else plane.sd_deg,
                frame_rate_hz=rate,
                forearm_share_sd=0.0 if forearm is None else forearm.sd_per_trunk / forearm.per_trunk,
                direction=direction,
            )
        )
    filled = tuple(
        replace(repetition, interval95_deg=repetition_interval(repetition.held_deg, term))
        for repetition, term in zip(repetitions, terms, strict=True)
    )
    held = [repetition.held_deg for repetition in repetitions]
    return Intervals(repetitions=filled, reading95_deg=reading_interval(held, terms), terms=tuple(terms))
