"""Samples that a moving arm cannot have produced: lone ones by a Hampel rule, short runs by the jumps around them."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from vision_rom.angles.vectors import NORMAL_SD_PER_MAD
from vision_rom.handover import Bools, Floats, Ints

MOST_NEIGHBOURS = 10
"""On each side of a sample. A faster recording has its neighbours thinned to this, so that cost stays bounded."""

FEWEST_IN_WINDOW = 5
"""With fewer samples a line and a spread cannot both be had, and the sample is not judged."""

_PAIRS_AT_A_TIME = 200_000
"""Slopes between two samples that are worked out together: some 10 MB, whatever the recording's length"""


def hampel_outliers(
    time_s: Floats,
    angle_deg: Floats,
    *,
    half_window_s: float = 0.25,
    spreads: float = 3.0,
    floor_deg: float = 4.0,
    max_gap_s: float = 0.2,
) -> Bools:
    """Mark samples far from the line that most of their neighbours lie on.

    The usual Hampel rule compares a sample with the median of its window. On a raising arm that median lags wherever
    the window is lopsided, so here the centre is a line with the repeated-median slope (Siegel 1982, Biometrika
    69:242-244; up to half of the samples may be wrong), drawn over the real times of the samples: frames need not be
    evenly spaced. The spread is the median absolute deviation from that line, scaled to a standard deviation.

    Parameters
    ----------
    time_s
        (n,) strictly increasing.
    angle_deg
        (n,) NaN where not measured.
    half_window_s
        Neighbours up to this long before and after are looked at. Near the ends of a run the window stays whole, the
        sample sits off its centre, and the limits grow up to twofold.
    spreads
        A sample is set aside beyond this many scaled deviations (3 is Hampel's usual choice).
    floor_deg
        ...and only beyond this many degrees; without it a perfectly still curve would lose samples over rounding.
    max_gap_s
        Neighbours on the far side of a longer gap do not count.

    Returns
    -------
    Bools
        (n,) True where a sample is to be set aside; False where NaN.

    """
    outlier = np.zeros(time_s.shape, np.bool_)
    seen = np.flatnonzero(np.isfinite(angle_deg))
    if seen.size < FEWEST_IN_WINDOW:
        return outlier
    breaks = np.flatnonzero(np.diff(time_s[seen]) > max_gap_s * (1 + 1e-6)) + 1
    for run in np.split(seen, breaks):
        if run.size >= FEWEST_IN_WINDOW:
            outlier[run] = _outliers_of_run(time_s[run], angle_deg[run], half_window_s, spreads, floor_deg)
    return outlier


def jumps(time_s: Floats, angle_deg: Floats, *, fastest_deg_s: float = 1500.0, least_deg: float = 30.0) -> Ints:
    """Return the indices of seen samples that are reached from the seen sample before by an impossible jump.

    A jump is faster than ``fastest_deg_s`` and larger than ``least_deg`` (below that it may be jitter).
    """
    seen = np.flatnonzero(np.isfinite(angle_deg))
    change_deg = np.abs(np.diff(angle_deg[seen]))
    return seen[1:][(change_deg > least_deg) & (change_deg > fastest_deg_s * np.diff(time_s[seen]))]


def jumped_islands(
    time_s: Floats,
    angle_deg: Floats,
    *,
    longest_s: float = 0.5,
    fastest_deg_s: float = 1500.0,
    least_deg: float = 30.0,
) -> Bools:
    """Mark runs of samples that an impossible jump leads to and another one leads back from.

    Such a run is too long for the Hampel rule where it outnumbers its neighbours: the other arm, or another person,
    taken for this arm over some pictures.

    Returns
    -------
    Bools
        (n,) True from one jump up to the next, where the two are at most ``longest_s`` apart and the second leads back
        by more than half of the first.

    """
    island = np.zeros(time_s.shape, np.bool_)
    seen = np.flatnonzero(np.isfinite(angle_deg))
    landed = np.searchsorted(seen, jumps(time_s, angle_deg, fastest_deg_s=fastest_deg_s, least_deg=least_deg))
    for there, back in pairwise(landed):
        way_there = angle_deg[seen[there]] - angle_deg[seen[there - 1]]
        left_over = angle_deg[seen[back]] - angle_deg[seen[there - 1]]
        short = time_s[seen[back]] - time_s[seen[there]] <= longest_s
        if short and abs(left_over) < abs(way_there) / 2 and not island[seen[there - 1]]:
            island[seen[there:back]] = True
    return island


def _outliers_of_run(
    time_s: Floats, angle_deg: Floats, half_window_s: float, spreads: float, floor_deg: float
) -> Bools:
    """Judge the samples of one run without gaps."""
    n = time_s.size
    step_s = float(np.median(np.diff(time_s)))
    reach = max(1, int(half_window_s / step_s + 1e-6))
    stride = -(-reach // MOST_NEIGHBOURS)
    offsets = np.arange(-(reach // stride), reach // stride + 1) * stride
    reach = min(int(offsets[-1]), (n - 1) // 2)
    offsets = offsets[np.abs(offsets) <= reach]
    centre = np.clip(np.arange(n), reach, n - 1 - reach)

    outlier = np.zeros(n, np.bool_)
    chunk = max(1, _PAIRS_AT_A_TIME // offsets.size**2)
    for first in range(0, n, chunk):
        part = np.arange(first, min(n, first + chunk))
        window = centre[part, None] + offsets
        t = time_s[window] - time_s[centre[part], None]
        near = np.abs(t) <= half_window_s * (1 + 1e-6)
        t = np.where(near, t, np.nan)
        x = np.where(near, angle_deg[window], np.nan)

        run_s = t[:, None, :] - t[:, :, None]
        rise_deg = x[:, None, :] - x[:, :, None]
        slopes = np.divide(rise_deg, run_s, out=np.full_like(run_s, np.nan), where=run_s != 0)
        slope = _median_of_seen(_median_of_seen(slopes))
        level = _median_of_seen(x - slope[:, None] * t)
        spread = NORMAL_SD_PER_MAD * _median_of_seen(np.abs(x - level[:, None] - slope[:, None] * t))

        own_t = time_s[part] - time_s[centre[part]]
        off_deg = np.abs(angle_deg[part] - level - slope * own_t)
        judged = (near.sum(axis=1) >= FEWEST_IN_WINDOW) & (np.abs(own_t) <= half_window_s * (1 + 1e-6))
        # A line says less about a bending curve the further it is drawn from its centre.
        leeway = 1 + np.abs(own_t) / half_window_s
        outlier[part] = judged & (off_deg > leeway * np.maximum(spreads * spread, floor_deg))
    return outlier


def _median_of_seen(values: Floats) -> Floats:
    """Median over the last axis without the NaN; NaN where there is nothing else."""
    ordered = np.sort(values, axis=-1)  # NaN go last
    count = np.isfinite(values).sum(axis=-1)
    low = np.maximum((count - 1) // 2, 0)[..., None]
    high = np.minimum(np.maximum(count // 2, 0), values.shape[-1] - 1)[..., None]
    middle = np.take_along_axis(ordered, low, -1) + np.take_along_axis(ordered, high, -1)
    return np.where(count > 0, middle[..., 0] / 2, np.nan)
