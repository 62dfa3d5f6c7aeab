"""The first 95% interval of a reading, from what can be known without a calibration study.

Plain numbers in, plain numbers out, so that a calibrated interval can take its place. Five terms, taken as independent:

* landmark jitter in the hold, divided by the number of samples that are independent;
* what is not known about the turn of the plane of motion (or, for rotation, of the trunk);
* for rotation, what is not known about the forearm's length;
* the spread of the repetitions (for the reading);
* the network's own error, with what it reads too low at the end of the range, from rendered people.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from vision_rom.angles.off_plane import off_plane_sd_of_angle_deg
from vision_rom.angles.vectors import robust_sd
from vision_rom.handover import View

Interval = tuple[float, float]
Kind = Literal["elevation", "axial_rotation"]

Z95 = 1.959964
"""Two-sided 95% quantile of the normal distribution."""

SD_PER_MEAN_ABSOLUTE_ERROR = 1.2533
"""sqrt(pi / 2): standard deviation of normal errors per mean absolute error."""

JITTER_CORRELATION = 0.8
"""Correlation of the landmarks' error from one frame at 30 Hz to the next; assumed, so that a longer hold does not
claim more than it tells."""

STEEPEST_FOREARM_SLOPE = 3.0
"""Degrees of rotation per degree's worth of forearm length: the tangent of the rotation, cut where the forearm points
sideways and the linear rule ends."""

UNKNOWN_JITTER_DEG = 3.0
"""Standard deviation of single samples where it could not be seen; assumed."""

REPETITION_SD_DEG = 3.0
"""Spread between repetitions of one person to start from; assumed. It counts as :data:`REPETITION_PRIOR` repetitions."""

REPETITION_PRIOR = 2.0


@dataclass(frozen=True, slots=True)
class NetworkError:
    """What the pose network itself does to a held value, beyond jitter and view."""

    mean_absolute_deg: float
    low_by_deg: float
    """How much too low a large reading can be..."""
    low_from_deg: float
    low_to_deg: float
    """...growing in proportion between these two readings."""


NETWORK_ERROR: dict[str, NetworkError] = {
    # measured on rendered people with known joint angles, networks as bundled: held values in plain rooms 5.4 (worst 12);
    # from the front and from behind a true 175 read 162 to 169
    "elevation_front": NetworkError(5.4, 10.0, 110.0, 165.0),
    # the same 5.4; frame by frame 2.4 when square and 10.9 seen 30 degrees off the plane
    "elevation_side": NetworkError(5.4, 0.0, 0.0, 1.0),
    # backward elevation, 12 clips of rendered people, full network, true 30 to 60: 7.5, nearly all of it too low
    "elevation_side_backward": NetworkError(7.5, 10.0, 10.0, 40.0),
    # rotation from the forearm, held values 11 (worst 22); on 24 clips of rendered people, full network, a true 75 to 85
    # outward read 55 to 70, and a true 60 inward read 25 to 55
    "rotation_outward": NetworkError(11.0, 20.0, 40.0, 60.0),
    "rotation_inward": NetworkError(11.0, 30.0, 10.0, 30.0),
}

SIDE_OFF_PLANE_ERROR_DEG = 10.9
"""Mean absolute error of flexion seen 30 degrees off its plane, frame by frame on rendered people."""


@dataclass(frozen=True, slots=True)
class ErrorTerms:
    """Standard deviations in degrees of the independent terms, and the one-sided shortfall."""

    jitter_deg: float
    plane_deg: float
    forearm_deg: float
    network_deg: float
    reads_low_deg: float
    """How much too low the value may be beyond what the terms say; 0 or more."""

    @property
    def sd_deg(self) -> float:
        """Root of the sum of squares."""
        return float(np.sqrt(self.jitter_deg**2 + self.plane_deg**2 + self.forearm_deg**2 + self.network_deg**2))

    def interval95_deg(self, value_deg: float) -> Interval:
        """95% interval about ``value_deg``; NaN where a term or the value is NaN."""
        below = Z95 * self.sd_deg
        above = float(np.hypot(below, self.reads_low_deg))
        if not np.isfinite([value_deg, below, above]).all():
            return (float("nan"), float("nan"))
        return (value_deg - below, value_deg + above)


def jitter_sd_deg(raw_deg: ArrayLike, smooth_deg: ArrayLike) -> float:
    """Robust standard deviation of a raw curve about its smoothed one, both (n,), in a hold or at rest.

    NaN with fewer than three samples.
    """
    rest = np.asarray(raw_deg, np.float64) - np.asarray(smooth_deg, np.float64)
    return robust_sd(rest) if np.isfinite(rest).sum() >= 3 else float("nan")


def independent_samples(count: int, *, frame_rate_hz: float = 30.0) -> float:
    """How many independent values ``count`` correlated samples are worth, at least 1."""
    step = 30.0 / max(frame_rate_hz, 1e-9)
    correlation = JITTER_CORRELATION**step
    return float(max(1.0, count * (1 - correlation) / (1 + correlation)))


def error_terms(
    *,
    held_deg: float,
    kind: Kind,
    view: View,
    jitter_deg: float,
    samples: int,
    off_plane_deg: float,
    off_plane_sd_deg: float,
    frame_rate_hz: float = 30.0,
    forearm_share_sd: float = 0.0,
    direction: int = 1,
) -> ErrorTerms:
    """Gather the terms for one held value.

    Parameters
    ----------
    held_deg : the value, sign and zero of its movement.
    jitter_deg : standard deviation of single samples in the hold; NaN counts as :data:`UNKNOWN_JITTER_DEG`.
    samples : number of samples that ``held_deg`` is the mean of.
    off_plane_deg, off_plane_sd_deg : turn between plane of motion and picture, and its standard deviation; for
        rotation the standard deviation is that of the trunk's turn.
    forearm_share_sd : standard deviation of the forearm's length as a share of it; rotation only.
    direction : +1 outward or forward, -1 inward or backward, as in :func:`vision_rom.angles.angle_curve`.

    """
    jitter = (jitter_deg if np.isfinite(jitter_deg) else UNKNOWN_JITTER_DEG) / np.sqrt(
        independent_samples(samples, frame_rate_hz=frame_rate_hz)
    )
    sagittal = view in ("left_side", "right_side")
    if kind == "axial_rotation":
        network = NETWORK_ERROR["rotation_outward" if direction > 0 else "rotation_inward"]
        slope = min(float(np.tan(np.radians(min(abs(held_deg), 80.0)))), STEEPEST_FOREARM_SLOPE)
        plane, forearm = off_plane_sd_deg, float(np.degrees(forearm_share_sd)) * slope
    else:
        name = "elevation_front" if not sagittal else "elevation_side" + ("_backward" if direction < 0 else "")
        network = NETWORK_ERROR[name]
        plane, forearm = off_plane_sd_of_angle_deg(held_deg, off_plane_deg, off_plane_sd_deg), 0.0
    error = network.mean_absolute_deg
    if kind == "elevation" and sagittal:
        error += (SIDE_OFF_PLANE_ERROR_DEG - error) * float(np.clip(off_plane_deg / 30.0, 0.0, 1.0)) ** 2
    rise = (held_deg - network.low_from_deg) / (network.low_to_deg - network.low_from_deg)
    return ErrorTerms(
        jitter_deg=float(jitter),
        plane_deg=plane,
        forearm_deg=forearm,
        network_deg=error * SD_PER_MEAN_ABSOLUTE_ERROR,
        reads_low_deg=network.low_by_deg * float(np.clip(rise, 0.0, 1.0)),
    )


def repetition_spread_deg(held_deg: Sequence[float]) -> float:
    """Standard deviation of one repetition, from the spread seen and the assumed one; never from luck alone.

    Pooled variance of the repetitions and of :data:`REPETITION_SD_DEG` counting as :data:`REPETITION_PRIOR` degrees of
    freedom, so that two equal repetitions do not claim that there is no spread.
    """
    held = np.asarray(held_deg, np.float64)
    held = held[np.isfinite(held)]
    freedom = max(held.size - 1, 0)
    seen = float(np.var(held, ddof=1)) * freedom if freedom else 0.0
    return float(np.sqrt((seen + REPETITION_PRIOR * REPETITION_SD_DEG**2) / (freedom + REPETITION_PRIOR)))


def repetition_interval(held_deg: float, terms: ErrorTerms) -> Interval:
    """95% interval of one repetition's held value: of that movement as it was, so without the repetitions' spread."""
    return terms.interval95_deg(held_deg)


def reading_interval(held_deg: Sequence[float], terms: Sequence[ErrorTerms]) -> Interval:
    """95% interval of the mean of the repetitions' held values.

    What the repetitions share (plane, forearm, network, shortfall) does not shrink with their number; jitter and
    spread do. NaN for no repetition.

    Raises
    ------
    ValueError
        Where ``terms`` does not hold one entry per repetition.

    """
    if len(held_deg) != len(terms):
        raise ValueError(
            f"`terms` must have one entry per repetition: got {len(terms)} for {len(held_deg)} repetitions"
        )
    kept = [(value, term) for value, term in zip(held_deg, terms, strict=True) if np.isfinite(value)]
    if not kept:
        return (float("nan"), float("nan"))
    values = [value for value, _ in kept]
    count = len(kept)
    chance = np.sqrt((np.mean([term.jitter_deg**2 for _, term in kept]) + repetition_spread_deg(values) ** 2) / count)
    whole = ErrorTerms(
        jitter_deg=float(chance),
        plane_deg=float(np.mean([term.plane_deg for _, term in kept])),
        forearm_deg=float(np.mean([term.forearm_deg for _, term in kept])),
        network_deg=float(np.mean([term.network_deg for _, term in kept])),
        reads_low_deg=float(np.mean([term.reads_low_deg for _, term in kept])),
    )
    return whole.interval95_deg(float(np.mean(values)))
