"""How many people an agreement study needs, from the precision that is wanted.

Limits of agreement: the smallest number of pairs whose interval about a limit is as narrow as wanted, by the variance of
a limit in Bland JM, Altman DG. Stat Methods Med Res 1999;8:135-160.

ICC: Bonett DG. Sample size requirements for estimating intraclass correlations with desired precision. Stat Med
2002;21:1331-1335; formula from memory, checked in the tests by drawing studies of that size.
"""

from __future__ import annotations

import math

from scipy.stats import norm
from scipy.stats import t as student

from vision_rom.errors import UsageError
from vision_rom.research.limits import Z95

MOST = 1_000_000


def pairs_for_limits(sd_deg: float, half_width_deg: float, *, confidence: float = 0.95) -> int:
    """Return how many pairs, one a subject, put the interval of a limit within +- ``half_width_deg`` of it.

    Parameters
    ----------
    sd_deg
        Expected standard deviation of the differences.
    half_width_deg
        Wanted half width of the confidence interval of each limit.
    confidence
        Of that interval.

    Raises
    ------
    UsageError
        A value that is not positive, or a precision that needs more than a million pairs.

    """
    if not (sd_deg > 0 and half_width_deg > 0 and 0 < confidence < 1):
        raise UsageError("Standard deviation and half width must be more than 0, and the confidence between 0 and 1.")

    def half(n: int) -> float:
        quantile = float(student.ppf((1 + confidence) / 2, n - 1))
        return quantile * sd_deg * math.sqrt(1 / n + Z95**2 / (2 * (n - 1)))

    low, high = 2, 3
    if half(low) <= half_width_deg:
        return low
    while half(high) > half_width_deg:
        low, high = high, 2 * high
        if high > MOST:
            raise UsageError(
                f"A half width of {half_width_deg:g} needs more than a million pairs; ask for a wider one."
            )
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if half(middle) > half_width_deg else (low, middle)
    return high


def subjects_for_icc(expected: float, width: float, *, raters: int = 2, confidence: float = 0.95) -> int:
    """Return how many subjects put the confidence interval of an ICC at about ``width`` from end to end.

    Raises
    ------
    UsageError
        An expected ICC outside 0 to 1, a width outside 0 to 2 or fewer than two raters.

    """
    if not (0 <= expected < 1 and 0 < width < 2 and raters >= 2 and 0 < confidence < 1):
        raise UsageError(
            "The expected ICC must be from 0 to below 1, the width between 0 and 2, with two or more raters."
        )
    z = float(norm.ppf((1 + confidence) / 2))
    spread = (1 - expected) ** 2 * (1 + (raters - 1) * expected) ** 2
    n = 8 * z**2 * spread / (raters * (raters - 1) * width**2) + 1
    if raters == 2 and expected >= 0.7:
        n += 5 * expected
    return max(math.ceil(n), 3)


def subjects_with_repeats(independent: int, repeats: int, between_share: float) -> int:
    """Return how many subjects with ``repeats`` pairs each tell as much as ``independent`` pairs of as many subjects.

    ``between_share`` is the part of the variance of the differences that lies between subjects (0 to 1): pairs of one
    subject tell the less the larger it is. The design effect 1 + (m - 1) share of cluster sampling (common practice).
    """
    if repeats < 1 or not 0 <= between_share <= 1:
        raise UsageError("Repeats must be at least 1 and the share between subjects from 0 to 1.")
    return max(math.ceil(independent * (1 + (repeats - 1) * between_share) / repeats - 1e-9), 2)
