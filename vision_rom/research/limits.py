"""Limits of agreement between two methods, also with several pairs from each subject.

One pair a subject: Bland JM, Altman DG. Stat Methods Med Res 1999;8:135-160; mean +- 1.96 SD of the differences, and
the variance of a limit is SD^2 (1/n + 1.96^2 / (2 (n - 1))).

Several pairs a subject, where the true value may differ from pair to pair: Bland JM, Altman DG. J Biopharm Stat
2007;17:571-582; the variance of a difference is the sum of its parts between and within subjects, by the analysis
of variance. The interval of a limit joins the intervals of the two parts and of the mean (the square-and-add way of
Zou GY. Stat Methods Med Res 2013;22:630-642), here with Student's t for the mean.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import chi2, norm
from scipy.stats import t as student

from vision_rom.errors import UsageError
from vision_rom.research.icc import Estimate

Floats = NDArray[np.float64]
Z95 = 1.96
"""As printed in the papers; 1.959964 would differ from their worked examples in the last digit."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Bias and 95% limits of agreement of first minus second, in the unit of the measurements."""

    n_pairs: int
    n_subjects: int
    bias: Estimate
    sd: float
    """Standard deviation of the difference of one pair from one subject"""
    lower: Estimate
    upper: Estimate
    sd_between: float
    """Part of ``sd`` that differs between subjects; NaN with one pair a subject"""
    sd_within: float
    """Part of ``sd`` that differs within a subject; NaN with one pair a subject"""


def limits_of_agreement(
    first: ArrayLike, second: ArrayLike, subjects: Sequence[Hashable] | None = None, *, confidence: float = 0.95
) -> Limits:
    """Return bias and limits of agreement of ``first`` minus ``second``, both (n,); pairs with a NaN are left out.

    Parameters
    ----------
    first, second
        (n,) the two measurements of each pair.
    subjects
        (n,) whom each pair belongs to; None takes every pair as another subject.
    confidence
        Of the intervals of bias and limits.

    Raises
    ------
    UsageError
        Lengths that differ, or fewer than two pairs or two subjects.

    """
    differences, kept = differences_of(first, second, subjects)
    groups = groups_of(kept)
    n, people = len(differences), int(groups.max()) + 1 if len(groups) else 0
    if people < 2:
        raise UsageError(f"Limits of agreement need pairs from at least two subjects, not {people}.")
    if people == n:
        return _independent(differences, confidence)
    return _repeated(differences, groups, confidence)


def differences_of(
    first: ArrayLike, second: ArrayLike, subjects: Sequence[Hashable] | None
) -> tuple[Floats, list[Hashable]]:
    """Return the differences of complete pairs, and whom each belongs to."""
    a, b = np.asarray(first, np.float64), np.asarray(second, np.float64)
    names: list[Hashable] = list(range(a.size)) if subjects is None else list(subjects)
    if a.ndim != 1 or a.shape != b.shape or len(names) != len(a):
        raise UsageError(f"Pairs and subjects must be equally many, not {a.shape}, {b.shape} and {len(names)}.")
    known = np.isfinite(a) & np.isfinite(b)
    return (a - b)[known], [name for name, whole in zip(names, known, strict=True) if whole]


def groups_of(names: Sequence[Hashable]) -> NDArray[np.int64]:
    """Number the names 0, 1, ... in the order in which they first appear."""
    numbers: dict[Hashable, int] = {}
    return np.array([numbers.setdefault(name, len(numbers)) for name in names], np.int64)


def _independent(differences: Floats, confidence: float) -> Limits:
    n = len(differences)
    bias, sd = float(differences.mean()), float(differences.std(ddof=1))
    quantile = float(student.ppf((1 + confidence) / 2, n - 1))
    half = quantile * sd / np.sqrt(n)
    half_limit = quantile * sd * np.sqrt(1 / n + Z95**2 / (2 * (n - 1)))
    nan = float("nan")
    return Limits(
        n_pairs=n,
        n_subjects=n,
        bias=_around(bias, half, half),
        sd=sd,
        lower=_around(bias - Z95 * sd, half_limit, half_limit),
        upper=_around(bias + Z95 * sd, half_limit, half_limit),
        sd_between=nan,
        sd_within=nan,
    )


def _repeated(differences: Floats, groups: NDArray[np.int64], confidence: float) -> Limits:
    counts = np.bincount(groups).astype(np.float64)
    total, people = len(differences), len(counts)
    means = np.bincount(groups, differences) / counts
    bias = float(differences.mean())
    between_square = float(np.sum(counts * (means - bias) ** 2) / (people - 1))
    within_square = float(np.sum((differences - means[groups]) ** 2) / (total - people))
    divisor = float((counts.sum() ** 2 - np.sum(counts**2)) / ((people - 1) * counts.sum()))
    between = max((between_square - within_square) / divisor, 0.0)
    sd = float(np.sqrt(between + within_square))
    # the mean over all pairs weighs a subject by the number of its pairs
    mean_sd = float(np.sqrt(between * np.sum(counts**2) / total**2 + within_square / total))
    half = float(student.ppf((1 + confidence) / 2, people - 1)) * mean_sd
    low_variance, high_variance = _variance_interval(
        (between_square, 1 / divisor, people - 1), (within_square, 1 - 1 / divisor, total - people), confidence
    )
    inner = Z95 * (sd - np.sqrt(max(low_variance, 0.0)))
    outer = Z95 * (np.sqrt(high_variance) - sd)
    near, far = float(np.hypot(half, inner)), float(np.hypot(half, outer))
    return Limits(
        n_pairs=total,
        n_subjects=people,
        bias=_around(bias, half, half),
        sd=sd,
        lower=_around(bias - Z95 * sd, far, near),
        upper=_around(bias + Z95 * sd, near, far),
        sd_between=float(np.sqrt(between)),
        sd_within=float(np.sqrt(within_square)),
    )


def _variance_interval(
    first: tuple[float, float, int], second: tuple[float, float, int], confidence: float
) -> tuple[float, float]:
    """Return the interval of a weighted sum of two independent mean squares (value, weight, degrees of freedom)."""
    tails = ((1 - confidence) / 2, (1 + confidence) / 2)
    total = sum(value * weight for value, weight, _ in (first, second))
    below = sum(
        (value * weight * (1 - free / chi2.ppf(tails[1], free))) ** 2 for value, weight, free in (first, second)
    )
    above = sum(
        (value * weight * (free / chi2.ppf(tails[0], free) - 1)) ** 2 for value, weight, free in (first, second)
    )
    return total - float(np.sqrt(below)), total + float(np.sqrt(above))


def _around(value: float, below: float, above: float) -> Estimate:
    return Estimate(float(value), float(value - below), float(value + above))


def share_within(differences: ArrayLike, limit: float, *, confidence: float = 0.95) -> Estimate:
    """Return the share (0 to 1) of differences not larger than ``limit``, with Wilson's interval.

    Wilson EB. J Am Stat Assoc 1927;22:209-212. Pairs of one subject count as independent here, so with repeated
    measurements the interval is too narrow; :mod:`vision_rom.research.agreement` resamples subjects instead.
    """
    values = np.abs(np.asarray(differences, np.float64))
    values = values[np.isfinite(values)]
    n = len(values)
    if n == 0:
        return Estimate(*(float("nan"),) * 3)
    z = float(norm.ppf((1 + confidence) / 2))
    share = float(np.mean(values <= limit))
    middle = (share + z**2 / (2 * n)) / (1 + z**2 / n)
    half = z * float(np.sqrt(share * (1 - share) / n + z**2 / (4 * n**2))) / (1 + z**2 / n)
    return Estimate(share, max(middle - half, 0.0), min(middle + half, 1.0))
