"""Agreement of read values with true ones: bias, absolute error, slope, limits of agreement, coverage of intervals.

Arrays (n,) in degrees; pairs with a NaN are left out, and a figure that needs more pairs than there are is NaN.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import t as student

from vision_rom.handover import Floats

Z95 = 1.959963984540054


@dataclass(frozen=True, slots=True)
class ErrorFigures:
    """What the errors of some readings come to, degrees."""

    n: int
    """Readings with a value"""
    bias_deg: float
    """Mean of read minus true"""
    mean_absolute_deg: float
    percentile95_deg: float
    """Of the absolute errors, interpolated between the two nearest"""
    worst_deg: float
    """Largest absolute error"""


def error_figures(read_deg: ArrayLike, true_deg: ArrayLike) -> ErrorFigures:
    """Return the figures of readings (n,) against the truth (n,)."""
    read, true = _pairs(read_deg, true_deg)
    if not len(read):
        return ErrorFigures(0, *(float("nan"),) * 4)
    errors = read - true
    size = np.abs(errors)
    return ErrorFigures(
        n=len(errors),
        bias_deg=float(errors.mean()),
        mean_absolute_deg=float(size.mean()),
        percentile95_deg=float(np.percentile(size, 95)),
        worst_deg=float(size.max()),
    )


@dataclass(frozen=True, slots=True)
class Line:
    """The straight line through readings over the truth: ``read = intercept + slope * true``."""

    slope: float
    intercept_deg: float
    slope_low: float
    """Lower end of the slope's 95% interval"""
    slope_high: float
    n: int


def line_of(read_deg: ArrayLike, true_deg: ArrayLike, *, low_deg: float = -np.inf, high_deg: float = np.inf) -> Line:
    """Return the least-squares line of readings over the truth where the truth lies between two angles.

    The truth is exact here, so ordinary least squares is not biased by errors in it.
    """
    read, true = _pairs(read_deg, true_deg)
    inside = (true >= low_deg) & (true <= high_deg)
    read, true = read[inside], true[inside]
    n = len(read)
    if n < 3 or np.ptp(true) == 0.0:
        return Line(*(float("nan"),) * 4, n)
    spread = true - true.mean()
    slope = float(spread @ read / (spread @ spread))
    intercept = float(read.mean() - slope * true.mean())
    left = read - intercept - slope * true
    half = float(student.ppf(0.975, n - 2) * np.sqrt(left @ left / (n - 2) / (spread @ spread)))
    return Line(slope, intercept, slope - half, slope + half, n)


@dataclass(frozen=True, slots=True)
class Coverage:
    """How often intervals hold the truth, and how wide they are."""

    n: int
    share: float
    """0 to 1"""
    share_low: float
    """Lower end of the share's 95% interval (Wilson 1927, J Am Stat Assoc 22:209-212)"""
    share_high: float
    half_width_deg: float
    """Median of half the widths"""


def coverage_of(low_deg: ArrayLike, high_deg: ArrayLike, true_deg: ArrayLike) -> Coverage:
    """Return how often the intervals (n,) to (n,) hold the truth (n,), ends included."""
    low, high, true = (np.asarray(values, np.float64) for values in (low_deg, high_deg, true_deg))
    known = np.isfinite(low) & np.isfinite(high) & np.isfinite(true)
    n = int(known.sum())
    if n == 0:
        return Coverage(0, *(float("nan"),) * 4)
    low, high, true = low[known], high[known], true[known]
    share = float(np.mean((low <= true) & (true <= high)))
    middle = (share + Z95**2 / (2 * n)) / (1 + Z95**2 / n)
    half = Z95 * float(np.sqrt(share * (1 - share) / n + Z95**2 / (4 * n**2))) / (1 + Z95**2 / n)
    return Coverage(n, share, middle - half, middle + half, float(np.median(high - low) / 2))


@dataclass(frozen=True, slots=True)
class Agreement:
    """Limits of agreement with their 95% intervals, degrees.

    Bland JM, Altman DG. Measuring agreement in method comparison studies. Stat Methods Med Res 1999;8:135-160: the
    limits are mean +- 1.96 SD of the differences, and their variance is SD^2 (1/n + 1.96^2 / (2 (n - 1))).
    """

    n: int
    bias_deg: float
    sd_deg: float
    lower_deg: float
    upper_deg: float
    bias_half_deg: float
    """Half the width of the bias's 95% interval"""
    limit_half_deg: float
    """Half the width of each limit's 95% interval"""


def agreement_of(read_deg: ArrayLike, true_deg: ArrayLike) -> Agreement:
    """Return the limits of agreement of readings (n,) with the truth (n,)."""
    read, true = _pairs(read_deg, true_deg)
    n = len(read)
    if n < 2:
        return Agreement(n, *(float("nan"),) * 6)
    differences = read - true
    bias, sd = float(differences.mean()), float(differences.std(ddof=1))
    quantile = float(student.ppf(0.975, n - 1))
    return Agreement(
        n=n,
        bias_deg=bias,
        sd_deg=sd,
        lower_deg=bias - Z95 * sd,
        upper_deg=bias + Z95 * sd,
        bias_half_deg=quantile * sd / float(np.sqrt(n)),
        limit_half_deg=quantile * sd * float(np.sqrt(1 / n + Z95**2 / (2 * (n - 1)))),
    )


def _pairs(read_deg: ArrayLike, true_deg: ArrayLike) -> tuple[Floats, Floats]:
    read, true = np.asarray(read_deg, np.float64), np.asarray(true_deg, np.float64)
    if read.shape != true.shape or read.ndim != 1:
        raise ValueError(f"readings and truth must be (n,) both, not {read.shape} and {true.shape}")
    known = np.isfinite(read) & np.isfinite(true)
    return read[known], true[known]
