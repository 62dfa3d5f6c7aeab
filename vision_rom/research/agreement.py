"""How well two ways of measuring agree: everything that a methods comparison reports, from pairs of numbers.

Pairs of one subject are not independent. Bias and limits use the variance between and within subjects; where no such
formula exists (ICC, shares, slope) whole subjects are drawn with replacement, with a seed, so that a second
analysis gives the same digits.

Standard error of measurement and minimal detectable change: Weir JP. J Strength Cond Res 2005;19:231-240. MDC = z sqrt(2)
SEM with z = 1.645 and 1.96.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import t as student

from vision_rom.research.icc import Estimate, Floats, IccFigures, coefficients, intraclass_correlation, mean_squares
from vision_rom.research.limits import Limits, groups_of, limits_of_agreement, share_within

RESAMPLES = 2000
FEWEST_SUBJECTS_TO_RESAMPLE = 5
"""With fewer subjects their resampling tells nothing, and no interval is given (our choice)."""


@dataclass(frozen=True, slots=True)
class Trend:
    """Straight line of the differences over the means of the pairs: a slope other than 0 is a proportional bias."""

    slope: Estimate
    """Degrees of difference for each degree of mean"""
    intercept_deg: float
    p: float
    """Of a slope of 0, by Student's t; NaN with several pairs a subject, where the interval is to be used"""


@dataclass(frozen=True, slots=True)
class Repeatability:
    """How far repeated measurements of one method scatter inside a subject and condition."""

    sd_within_deg: float
    n_repeated: int
    """Measurements beyond the first of each condition: degrees of freedom"""


@dataclass(frozen=True, slots=True)
class AgreementFigures:
    """Agreement of readings with a reference, degrees; differences are reading minus reference."""

    n_pairs: int
    n_subjects: int
    icc: IccFigures
    """With several pairs a subject its intervals are by resampling subjects"""
    limits: Limits
    mdc90_deg: float
    """From the standard error of measurement for agreement"""
    mdc95_deg: float
    mean_absolute_deg: float
    root_mean_square_deg: float
    shares: dict[float, Estimate]
    """By limit in degrees: share of pairs not further apart, 0 to 1"""
    trend: Trend
    repeatability: tuple[Repeatability, Repeatability] | None
    """Readings, reference; None where nothing was measured twice under one condition"""
    correlation: float
    """Pearson's; shown because readers ask for it, and no measure of agreement"""
    interval_method: str
    """"formula" or "subjects resampled" or "none": how the intervals of ICC, shares and slope were found"""


def agreement_between(
    readings: ArrayLike,
    reference: ArrayLike,
    subjects: Sequence[Hashable] | None = None,
    conditions: Sequence[Hashable] | None = None,
    *,
    within_deg: Sequence[float] = (5.0, 10.0),
    confidence: float = 0.95,
    resamples: int = RESAMPLES,
    seed: int = 0,
) -> AgreementFigures:
    """Return all figures of agreement of readings (n,) with a reference (n,); pairs with a NaN are left out.

    Parameters
    ----------
    readings, reference
        (n,) degrees, measured at the same time or of the same recording.
    subjects
        (n,) whom each pair belongs to; None takes every pair as another subject.
    conditions
        (n,) pairs of one subject with equal condition (movement, side, visit) are repeats of the same true value;
        None says that nothing was repeated.
    within_deg
        Limits whose shares are wanted.
    confidence, resamples, seed
        Of the intervals.

    Raises
    ------
    UsageError
        Fewer than two pairs or two subjects, or lengths that differ.

    """
    limits = limits_of_agreement(readings, reference, subjects, confidence=confidence)
    first, second = np.asarray(readings, np.float64), np.asarray(reference, np.float64)
    known = np.isfinite(first) & np.isfinite(second)
    names: list[Hashable] = list(range(len(known))) if subjects is None else list(subjects)
    groups = groups_of([name for name, whole in zip(names, known, strict=True) if whole])
    repeats = None
    if conditions is not None:
        keys = [(name, one) for name, one, whole in zip(names, conditions, known, strict=True) if whole]
        repeats = _repeatability(first[known], second[known], groups_of(keys))
    a, b = first[known], second[known]
    pairs = np.column_stack([a, b])
    differences = a - b
    coefficient = intraclass_correlation(pairs, confidence=confidence)
    shares = {limit: share_within(differences, limit, confidence=confidence) for limit in within_deg}
    trend = _trend(pairs, confidence)
    method = "formula"
    if limits.n_subjects < limits.n_pairs:
        resample = _Resampling(pairs, groups, confidence, resamples, seed)
        method = "subjects resampled" if resample.possible else "none"
        squares = coefficient.squares
        coefficient = IccFigures(
            resample.estimate(lambda p: coefficients(mean_squares(p))[0], coefficient.icc2_1.value),
            resample.estimate(lambda p: coefficients(mean_squares(p))[1], coefficient.icc3_1.value),
            coefficient.sem_agreement,
            coefficient.sem_consistency,
            squares,
        )
        shares = {limit: resample.estimate(_share_of(limit), share.value) for limit, share in shares.items()}
        trend = Trend(resample.estimate(lambda p: _line(p)[0], trend.slope.value), trend.intercept_deg, float("nan"))
    return AgreementFigures(
        n_pairs=limits.n_pairs,
        n_subjects=limits.n_subjects,
        icc=coefficient,
        limits=limits,
        mdc90_deg=1.645 * float(np.sqrt(2)) * coefficient.sem_agreement,
        mdc95_deg=1.96 * float(np.sqrt(2)) * coefficient.sem_agreement,
        mean_absolute_deg=float(np.mean(np.abs(differences))),
        root_mean_square_deg=float(np.sqrt(np.mean(differences**2))),
        shares=shares,
        trend=trend,
        repeatability=repeats,
        correlation=_correlation(a, b),
        interval_method=method,
    )


class _Resampling:
    """Whole subjects drawn with replacement; the same draws for every figure."""

    def __init__(self, pairs: Floats, groups: NDArray[np.int64], confidence: float, resamples: int, seed: int) -> None:
        members = [np.flatnonzero(groups == one) for one in range(int(groups.max()) + 1)]
        self.possible = len(members) >= FEWEST_SUBJECTS_TO_RESAMPLE
        self._tails = ((1 - confidence) / 2, (1 + confidence) / 2)
        random = np.random.default_rng(seed)
        drawn = random.integers(len(members), size=(resamples if self.possible else 0, len(members)))
        self._samples = [pairs[np.concatenate([members[one] for one in draw])] for draw in drawn]

    def estimate(self, figure: Callable[[Floats], float], value: float) -> Estimate:
        if not self.possible:
            return Estimate(value, float("nan"), float("nan"))
        found = np.array([figure(sample) for sample in self._samples])
        low, high = np.nanquantile(found, self._tails)
        return Estimate(value, float(low), float(high))


def _share_of(limit: float) -> Callable[[Floats], float]:
    return lambda pairs: float(np.mean(np.abs(pairs[:, 0] - pairs[:, 1]) <= limit))


def _line(pairs: Floats) -> tuple[float, float]:
    """Return slope and intercept of the differences over the means; NaN where the means do not vary."""
    middle, difference = pairs.mean(axis=1), pairs[:, 0] - pairs[:, 1]
    spread = middle - middle.mean()
    square = float(spread @ spread)
    if not square > 0:
        return float("nan"), float("nan")
    slope = float(spread @ difference / square)
    return slope, float(difference.mean() - slope * middle.mean())


def _trend(pairs: Floats, confidence: float) -> Trend:
    slope, intercept = _line(pairs)
    n, nan = len(pairs), float("nan")
    if n < 3 or not np.isfinite(slope):
        return Trend(Estimate(slope, nan, nan), intercept, nan)
    middle, difference = pairs.mean(axis=1), pairs[:, 0] - pairs[:, 1]
    left = difference - intercept - slope * middle
    error = float(np.sqrt(left @ left / (n - 2) / np.sum((middle - middle.mean()) ** 2)))
    half = float(student.ppf((1 + confidence) / 2, n - 2)) * error
    p = float(2 * student.sf(abs(slope) / error, n - 2)) if error > 0 else nan
    return Trend(Estimate(slope, slope - half, slope + half), intercept, p)


def _repeatability(
    first: Floats, second: Floats, cells: NDArray[np.int64]
) -> tuple[Repeatability, Repeatability] | None:
    counts = np.bincount(cells)
    free = int(len(cells) - len(counts))
    if free < 1:
        return None

    def within(values: Floats) -> Repeatability:
        means = np.bincount(cells, values) / counts
        return Repeatability(float(np.sqrt(np.sum((values - means[cells]) ** 2) / free)), free)

    return within(first), within(second)


def _correlation(a: Floats, b: Floats) -> float:
    if len(a) < 2 or np.ptp(a) == 0 or np.ptp(b) == 0:
        return float("nan")
    return float(np.corrcoef(a, b)[0, 1])
