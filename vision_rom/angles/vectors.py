"""Directions, signed angles and robust statistics on plain arrays.

Picture vectors have x to the right and y down, in pixels. Every angle comes from atan2(cross, dot), which keeps its
precision near 0 and 180 degrees, where the arccosine of a rounded ratio loses it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from vision_rom.handover import Floats
from vision_rom.spool import blocks

NORMAL_SD_PER_MAD = 1.4826
"""Standard deviation of normal data per median absolute deviation: 1 / the normal distribution's 75% quantile."""


def signed_angle_deg(first: ArrayLike, second: ArrayLike) -> Floats:
    """Turn from ``first`` to ``second``, both (..., 2) in the picture, in (-180, 180].

    Positive from the x axis (right) towards the y axis (down): clockwise as a viewer sees the picture. NaN where either
    vector holds NaN or has no length.
    """
    a, b = np.asarray(first, np.float64), np.asarray(second, np.float64)
    cross = a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]
    dot = a[..., 0] * b[..., 0] + a[..., 1] * b[..., 1]
    empty = (np.hypot(a[..., 0], a[..., 1]) == 0) | (np.hypot(b[..., 0], b[..., 1]) == 0)
    return np.where(empty, np.nan, np.degrees(np.arctan2(cross, dot)))


def angle_between_deg(first: ArrayLike, second: ArrayLike) -> Floats:
    """Unsigned angle between ``first`` and ``second``, both (..., 2) or (..., 3), in [0, 180].

    NaN where either vector holds NaN or has no length.
    """
    a, b = np.broadcast_arrays(np.asarray(first, np.float64), np.asarray(second, np.float64))
    if a.shape[-1] == 2:
        return np.abs(signed_angle_deg(a, b))
    cross = np.linalg.norm(np.cross(a, b), axis=-1)
    dot = np.sum(a * b, axis=-1)
    empty = (np.linalg.norm(a, axis=-1) == 0) | (np.linalg.norm(b, axis=-1) == 0)
    return np.where(empty, np.nan, np.degrees(np.arctan2(cross, dot)))


def unit_vectors(vectors: ArrayLike) -> Floats:
    """Vectors (..., axes) at length 1; one without length stays 0, NaN stays NaN."""
    rows = np.asarray(vectors, np.float64)
    return np.asarray(rows / np.maximum(np.linalg.norm(rows, axis=-1, keepdims=True), 1e-9))


def wrapped_deg(angle_deg: ArrayLike, *, lowest_deg: float = -180.0) -> Floats:
    """Return the same directions with values in [``lowest_deg``, ``lowest_deg`` + 360). NaN stays NaN."""
    return np.mod(np.asarray(angle_deg, np.float64) - lowest_deg, 360.0) + lowest_deg


def mean_direction_deg(angle_deg: ArrayLike, weight: ArrayLike | None = None) -> float:
    """Circular mean of directions in (-180, 180]; NaN values are passed over, NaN if none is left."""
    angle = np.asarray(angle_deg, np.float64).ravel()
    share = np.ones_like(angle) if weight is None else np.asarray(weight, np.float64).ravel()
    kept = np.isfinite(angle) & np.isfinite(share)
    if not kept.any() or share[kept].sum() <= 0:
        return float("nan")
    turn = np.sum(share[kept] * np.exp(1j * np.radians(angle[kept])))
    return float(np.degrees(np.angle(turn)))


def median_direction_deg(angle_deg: ArrayLike) -> float:
    """Robust centre of directions in [-180, 180); NaN values are passed over, NaN if none is left.

    The median of the deviations from the circular mean, taken twice so that a few opposite directions do not bend it.
    """
    angle = np.asarray(angle_deg, np.float64).ravel()
    angle = angle[np.isfinite(angle)]
    centre = mean_direction_deg(angle)
    if not np.isfinite(centre):
        return float("nan")
    for _ in range(2):
        centre += float(np.median(wrapped_deg(angle - centre)))
    return float(wrapped_deg(centre))


def direction_spread_deg(angle_deg: ArrayLike) -> float:
    """Robust standard deviation (scaled MAD) of directions about :func:`median_direction_deg`; NaN if none is left."""
    angle = np.asarray(angle_deg, np.float64).ravel()
    angle = angle[np.isfinite(angle)]
    if angle.size == 0:
        return float("nan")
    return float(NORMAL_SD_PER_MAD * np.median(np.abs(wrapped_deg(angle - median_direction_deg(angle)))))


def robust_sd(values: ArrayLike) -> float:
    """Scaled median absolute deviation; NaN values are passed over, NaN if none is left."""
    data = np.asarray(values, np.float64).ravel()
    data = data[np.isfinite(data)]
    if data.size == 0:
        return float("nan")
    return float(NORMAL_SD_PER_MAD * np.median(np.abs(data - np.median(data))))


def midpoint(points: ArrayLike, first: int, second: int) -> Floats:
    """Middle of two rows of (..., points, axes)."""
    rows = np.asarray(points, np.float64)
    return (rows[..., first, :] + rows[..., second, :]) / 2


def along_and_across(vector: ArrayLike, axis: ArrayLike) -> tuple[Floats, Floats]:
    """Split picture vectors (..., 2) into the part along ``axis`` (..., 2) and the part across it, same unit.

    The part across is positive where ``vector`` lies clockwise of ``axis`` as a viewer sees the picture.
    NaN where the axis has no length.
    """
    v, a = np.asarray(vector, np.float64), np.asarray(axis, np.float64)
    length = np.hypot(a[..., 0], a[..., 1])
    length = np.where(length > 0, length, np.nan)
    along = (v[..., 0] * a[..., 0] + v[..., 1] * a[..., 1]) / length
    across = (a[..., 0] * v[..., 1] - a[..., 1] * v[..., 0]) / length
    return along, across


def running_median(values: ArrayLike, *, half_width: int) -> Floats:
    """Centred running median of (n,) over up to 2 ``half_width`` + 1 samples, shorter at the ends, NaN passed over."""
    data = np.asarray(values, np.float64)
    if data.size == 0 or half_width < 1:
        return data.copy()
    padded = np.pad(data, half_width, constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * half_width + 1)
    out = np.full(data.shape, np.nan)
    for rows in blocks(len(data)):
        seen = np.isfinite(windows[rows]).any(axis=1)
        out[rows][seen] = np.nanmedian(windows[rows][seen], axis=1)
    return out


def runs_of(mask: ArrayLike) -> list[tuple[int, int]]:
    """First and last index of every run of True in (n,)."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], np.asarray(mask, np.int8), [0]))))
    return [(int(first), int(after) - 1) for first, after in zip(edges[::2], edges[1::2], strict=True)]
