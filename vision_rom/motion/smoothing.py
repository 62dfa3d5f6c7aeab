"""From samples at the camera's own times to a smooth curve on an even grid, with what may be trusted in it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision_rom.handover import AngleCurve, Bools, Floats, Ints, SmoothCurve
from vision_rom.motion.outliers import hampel_outliers, jumped_islands, jumps

TIME_TOLERANCE = 1e-6
"""Relative: 30 Hz written as floats must not turn a gap of exactly the limit into a longer one."""


@dataclass(frozen=True, slots=True)
class Smoothing:
    """How a curve is made smooth. Everything is in seconds and degrees, nothing in frames."""

    window_s: float = 0.37
    """Length of the Savitzky-Golay window: 11 samples at 30 Hz, -3 dB at 3.0 Hz with order 3."""
    order: int = 3
    max_gap_s: float = 0.2
    """Two samples further apart than this are not joined: the curve is NaN between them."""
    trusted_gap_s: float = 0.11
    """Inside a shorter hole that was joined but is longer than this, the curve is drawn and not trusted."""
    grid_hz: float = 30.0
    """Slowest grid. A faster recording keeps its own mean rate, so that none of its samples is thrown away."""
    fastest_deg_s: float = 1500.0
    """No arm does this in the examination: the curve is broken at a faster jump. Our own choice, no source."""
    least_jump_deg: float = 30.0
    """A smaller jump may be jitter."""
    longest_island_s: float = 0.5
    """Samples between a jump and the jump back, up to this long, are set aside."""
    hampel_half_window_s: float = 0.25
    hampel_spreads: float = 3.0
    hampel_floor_deg: float = 4.0

    def __post_init__(self) -> None:
        """Refuse values that have no meaning."""
        positive = (
            "window_s",
            "max_gap_s",
            "trusted_gap_s",
            "grid_hz",
            "fastest_deg_s",
            "longest_island_s",
            "hampel_half_window_s",
            "hampel_spreads",
        )
        for name in positive:
            value = getattr(self, name)
            if not (np.isfinite(value) and value > 0):
                raise ValueError(f"Smoothing.{name} is {value!r}; it must be a number above 0.")
        for name in ("hampel_floor_deg", "least_jump_deg"):
            if not getattr(self, name) >= 0:
                raise ValueError(f"Smoothing.{name} is {getattr(self, name)!r}; it must be 0 or more.")
        if self.order < 1:
            raise ValueError(f"Smoothing.order is {self.order!r}; it must be 1 or more.")
        if self.samples_in_window(1 / self.grid_hz) <= self.order:
            raise ValueError(
                f"Smoothing.window_s = {self.window_s:g} s holds only {self.samples_in_window(1 / self.grid_hz)} samples "
                f"at {self.grid_hz:g} Hz; order {self.order} needs more than {self.order}."
            )

    def samples_in_window(self, step_s: float) -> int:
        """Return the odd number of samples nearest to the window."""
        return 2 * round((self.window_s / step_s - 1) / 2) + 1


def smooth(curve: AngleCurve, *, settings: Smoothing | None = None) -> SmoothCurve:
    """Set outliers aside, lay the curve on an even grid, and smooth each stretch without a gap on its own.

    A stretch ends at a gap longer than ``max_gap_s`` and at a jump faster than ``fastest_deg_s``. Between samples and
    grid points the curve is interpolated linearly. Smoothing and speed are Savitzky-Golay (Savitzky & Golay 1964, Anal.
    Chem. 36:1627-1639) as in :func:`scipy.signal.savgol_filter`; in the half window at both ends of a stretch scipy
    evaluates the last whole polynomial off its centre. Those samples, and those inside a joined hole longer than
    ``trusted_gap_s``, have ``trusted`` False. A stretch shorter than the window is fitted with the largest window it
    has room for and is nowhere trusted; one with no room for the polynomial stays NaN.

    Parameters
    ----------
    curve
        ``time_s`` (n,) strictly increasing, at any and varying rate; NaN angles where not measured.
    settings
        Default :class:`Smoothing`.

    Returns
    -------
    SmoothCurve
        (m,) samples from the first to the last time of ``curve``, on the same grid for all curves of a recording.

    Raises
    ------
    ValueError
        If the arrays differ in length or time does not increase.

    """
    settings = settings or Smoothing()
    _check(curve)
    time_s, step_s = even_grid(curve.time_s, slowest_hz=settings.grid_hz)
    islands = jumped_islands(
        curve.time_s,
        curve.angle_deg,
        longest_s=settings.longest_island_s,
        fastest_deg_s=settings.fastest_deg_s,
        least_deg=settings.least_jump_deg,
    )
    outliers = islands | hampel_outliers(
        curve.time_s,
        np.where(islands, np.nan, curve.angle_deg),
        half_window_s=settings.hampel_half_window_s,
        spreads=settings.hampel_spreads,
        floor_deg=settings.hampel_floor_deg,
        max_gap_s=settings.max_gap_s,
    )
    angle_deg, speed_deg_s, trusted = _smooth_on_grid(
        curve.time_s, np.where(outliers, np.nan, curve.angle_deg), time_s, step_s, settings
    )
    vertical_deg, _, _ = _smooth_on_grid(
        curve.time_s, np.where(outliers, np.nan, curve.vertical_deg), time_s, step_s, settings
    )
    return SmoothCurve(
        source=curve,
        time_s=time_s,
        angle_deg=angle_deg,
        vertical_deg=vertical_deg,
        speed_deg_s=speed_deg_s,
        trusted=trusted,
        outliers=outliers,
        window_s=settings.window_s,
        order=settings.order,
    )


def even_grid(time_s: Floats, *, slowest_hz: float) -> tuple[Floats, float]:
    """Return even times (m,) that cover ``time_s`` (n,), and their step in seconds.

    The step is the recording's own regular one (the mean of the steps up to 1.5 x their median, so that dropped
    frames and times rounded to milliseconds do not shift it), or ``1 / slowest_hz`` where that is shorter.
    """
    slowest_step_s = 1 / slowest_hz
    if time_s.size < 2:
        return time_s.astype(np.float64), slowest_step_s
    steps = np.diff(time_s)
    own_step_s = float(np.mean(steps[steps <= 1.5 * np.median(steps)]))
    # 29.97 Hz is left on its own samples; 24 and 25 Hz are not.
    step_s = own_step_s if own_step_s <= slowest_step_s * 1.01 else slowest_step_s
    count = int(np.floor((time_s[-1] - time_s[0]) / step_s + 1e-3)) + 1
    return time_s[0] + np.arange(count) * step_s, step_s


def runs_without_gap(
    time_s: Floats, seen: Bools, *, max_gap_s: float, broken_before: Ints | None = None
) -> list[tuple[int, int]]:
    """Return (first, last) sample of each stretch in which no two seen samples are further apart than ``max_gap_s``.

    A stretch also ends before each seen sample whose index is in ``broken_before``.
    """
    where = np.flatnonzero(seen)
    if where.size == 0:
        return []
    broken = np.diff(time_s[where]) > max_gap_s * (1 + TIME_TOLERANCE)
    if broken_before is not None:
        broken |= np.isin(where[1:], broken_before)
    breaks = np.flatnonzero(broken) + 1
    return [(int(run[0]), int(run[-1])) for run in np.split(where, breaks)]


def _smooth_on_grid(
    raw_time_s: Floats, raw_deg: Floats, time_s: Floats, step_s: float, settings: Smoothing
) -> tuple[Floats, Floats, Bools]:
    """Return smoothed values, their time derivative and where both can be trusted, each (m,)."""
    # slow to load, and needed only after the pictures were looked at
    from scipy.signal import savgol_filter

    value_deg = np.full(time_s.shape, np.nan)
    speed_deg_s = np.full(time_s.shape, np.nan)
    trusted = np.zeros(time_s.shape, np.bool_)
    seen = np.isfinite(raw_deg)
    whole_window = settings.samples_in_window(step_s)
    slack_s = 1e-3 * step_s
    broken_before = jumps(raw_time_s, raw_deg, fastest_deg_s=settings.fastest_deg_s, least_deg=settings.least_jump_deg)
    for first, last in runs_without_gap(raw_time_s, seen, max_gap_s=settings.max_gap_s, broken_before=broken_before):
        at = np.arange(*_grid_between(time_s, raw_time_s[first] - slack_s, raw_time_s[last] + slack_s))
        window = min(whole_window, at.size - 1 + at.size % 2)
        if window <= settings.order:
            continue
        of_run = np.arange(first, last + 1)
        of_run = of_run[seen[of_run]]
        on_grid = np.interp(time_s[at], raw_time_s[of_run], raw_deg[of_run])
        value_deg[at] = savgol_filter(on_grid, window, settings.order)
        speed_deg_s[at] = savgol_filter(on_grid, window, settings.order, deriv=1, delta=step_s)
        half = whole_window // 2
        trusted[at[half : at.size - half]] = True
        _distrust_holes(trusted, time_s, raw_time_s[of_run], settings.trusted_gap_s, slack_s)
    return value_deg, speed_deg_s, trusted


def _distrust_holes(trusted: Bools, time_s: Floats, seen_s: Floats, longest_s: float, slack_s: float) -> None:
    """Clear ``trusted`` strictly inside every hole between seen samples that is longer than ``longest_s``."""
    for i in np.flatnonzero(np.diff(seen_s) > longest_s * (1 + TIME_TOLERANCE)):
        trusted[slice(*_grid_between(time_s, seen_s[i] + slack_s, seen_s[i + 1] - slack_s))] = False


def _grid_between(time_s: Floats, from_s: float, to_s: float) -> tuple[int, int]:
    """Return the half-open range of grid points between two times."""
    return int(np.searchsorted(time_s, from_s, "left")), int(np.searchsorted(time_s, to_s, "right"))


def _check(curve: AngleCurve) -> None:
    """Refuse arrays that do not belong together."""
    n = curve.time_s.shape
    for name in ("angle_deg", "vertical_deg"):
        shape = getattr(curve, name).shape
        if len(n) != 1 or shape != n:
            raise ValueError(
                f"{curve.movement}, {curve.side}: {name} has shape {shape} and time_s {n}; both must be (n,)."
            )
    if not np.all(np.isfinite(curve.time_s)) or np.any(np.diff(curve.time_s) <= 0):
        raise ValueError(
            f"{curve.movement}, {curve.side}: time_s does not increase from each sample to the next; "
            "give every sample the time of its own picture."
        )
