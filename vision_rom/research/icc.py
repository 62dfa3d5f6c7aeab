"""Intraclass correlation of single measurements, with confidence intervals.

Shrout PE, Fleiss JL. Intraclass correlations: uses in assessing rater reliability. Psychol Bull 1979;86:420-428.
McGraw KO, Wong SP. Forming inferences about some intraclass correlation coefficients. Psychol Methods 1996;1:30-46.

ICC(2,1) asks whether raters agree in value (raters are a sample of raters), ICC(3,1) whether they agree but for a fixed
offset. Neither says how large the error is in degrees: the standard error of measurement does.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import f as fisher

from vision_rom.errors import UsageError

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure with the ends of its confidence interval; NaN where the data do not allow one."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class MeanSquares:
    """The two-way analysis of variance of targets by raters, one measurement a cell."""

    targets: float
    raters: float
    residual: float
    n_targets: int
    n_raters: int


@dataclass(frozen=True, slots=True)
class IccFigures:
    """Both coefficients and the error of measurement that belongs to each, in the unit of the ratings."""

    icc2_1: Estimate
    """Two-way random effects, absolute agreement, single measurement"""
    icc3_1: Estimate
    """Two-way mixed effects, consistency, single measurement"""
    sem_agreement: float
    """Root of the variance between raters plus the residual variance: counts an offset between raters as error"""
    sem_consistency: float
    """Root of the residual variance alone"""
    squares: MeanSquares


def mean_squares(ratings: ArrayLike) -> MeanSquares:
    """Return the mean squares of ratings (targets, raters); targets with a NaN are left out.

    Raises
    ------
    UsageError
        Fewer than two complete targets or fewer than two raters.

    """
    table = np.asarray(ratings, np.float64)
    if table.ndim != 2 or table.shape[1] < 2:
        raise UsageError("An intraclass correlation needs a table of targets by at least two raters.")
    table = table[np.isfinite(table).all(axis=1)]
    n, k = table.shape
    if n < 2:
        raise UsageError(f"An intraclass correlation needs at least two targets that every rater measured, not {n}.")
    centre = table.mean()
    rows, columns = table.mean(axis=1), table.mean(axis=0)
    left = table - rows[:, None] - columns + centre
    return MeanSquares(
        targets=float(k * np.sum((rows - centre) ** 2) / (n - 1)),
        raters=float(n * np.sum((columns - centre) ** 2) / (k - 1)),
        residual=float(np.sum(left**2) / ((n - 1) * (k - 1))),
        n_targets=n,
        n_raters=k,
    )


def intraclass_correlation(ratings: ArrayLike, *, confidence: float = 0.95) -> IccFigures:
    """Return ICC(2,1) and ICC(3,1) of ratings (targets, raters) whose targets are independent.

    Raises
    ------
    UsageError
        Fewer than two complete targets or fewer than two raters.

    """
    squares = mean_squares(ratings)
    agreement, consistency = coefficients(squares)
    return IccFigures(
        icc2_1=Estimate(agreement, *_agreement_interval(squares, agreement, confidence)),
        icc3_1=Estimate(consistency, *_consistency_interval(squares, confidence)),
        sem_agreement=sem_agreement(squares),
        sem_consistency=float(np.sqrt(squares.residual)),
        squares=squares,
    )


def coefficients(squares: MeanSquares) -> tuple[float, float]:
    """Return ICC(2,1) and ICC(3,1); NaN where nothing varies."""
    s, n, k = squares, squares.n_targets, squares.n_raters
    agreement = s.targets + (k - 1) * s.residual + k * (s.raters - s.residual) / n
    consistency = s.targets + (k - 1) * s.residual
    above = s.targets - s.residual
    return (
        above / agreement if agreement > 0 else float("nan"),
        above / consistency if consistency > 0 else float("nan"),
    )


def sem_agreement(squares: MeanSquares) -> float:
    """Return the standard error of measurement that counts an offset between raters; a negative variance is 0."""
    between = max((squares.raters - squares.residual) / squares.n_targets, 0.0)
    return float(np.sqrt(between + squares.residual))


def _consistency_interval(s: MeanSquares, confidence: float) -> tuple[float, float]:
    if not s.residual > 0:
        return float("nan"), float("nan")
    n, k = s.n_targets, s.n_raters
    ratio, tail = s.targets / s.residual, (1 + confidence) / 2
    degrees = (n - 1, (n - 1) * (k - 1))
    low = ratio / fisher.ppf(tail, *degrees)
    high = ratio * fisher.ppf(tail, degrees[1], degrees[0])
    return float((low - 1) / (low + k - 1)), float((high - 1) / (high + k - 1))


def _agreement_interval(s: MeanSquares, value: float, confidence: float) -> tuple[float, float]:
    """Return the interval of ICC(2,1), whose degrees of freedom are Satterthwaite's (both papers above)."""
    if not (s.residual > 0 and np.isfinite(value)) or value >= 1:
        return float("nan"), float("nan")
    n, k = s.n_targets, s.n_raters
    a = k * value / (n * (1 - value))
    b = 1 + k * value * (n - 1) / (n * (1 - value))
    free = (a * s.raters + b * s.residual) ** 2 / (
        (a * s.raters) ** 2 / (k - 1) + (b * s.residual) ** 2 / ((n - 1) * (k - 1))
    )
    tail = (1 + confidence) / 2
    up, down = fisher.ppf(tail, n - 1, free), fisher.ppf(tail, free, n - 1)
    spread = k * s.raters + (k * n - k - n) * s.residual
    low = n * (s.targets - up * s.residual) / (up * spread + n * s.targets)
    high = n * (down * s.targets - s.residual) / (spread + n * down * s.targets)
    return float(low), float(high)
