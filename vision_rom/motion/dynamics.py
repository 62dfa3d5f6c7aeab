"""How a repetition went: how long it rose, was held and sank, how smoothly, and whether the arm dropped."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vision_rom.handover import Floats, Repetition, SmoothCurve
from vision_rom.motion.holds import grid_step_s

NEAR_TOP = 0.9
"""Share of the way from start to peak from which the arm counts as held. Our own choice, no source."""
FASTEST_SHARE = 0.05
HIGHEST_HZ = 10.0
"""Spectral arc length after Balasubramanian, Melendez-Calderon, Roby-Brami, Burdet, J NeuroEng Rehabil 2015;12:112: frequencies up to
10 Hz, as far as their share of the speed's spectrum exceeds 0.05. The curve is smoothed at 3 Hz before, so that only coarse
unevenness shows, and values compare with each other only at equal settings and similar lengths."""
DROP_FROM_DEG = 90.0
"""A drop is looked for where the arm comes down from this height or more; common practice, no source."""
DROP_SPEED_DEG_S = 150.0
DROP_SPEED_RATIO = 2.0
DROP_ACCELERATION_RATIO = 2.0
"""Lowering faster than this, and than so many times the raise, gathering speed so many times as hard as the raise: our own choice."""


def with_dynamics(repetitions: tuple[Repetition, ...], curve: SmoothCurve) -> tuple[Repetition, ...]:
    """Return the repetitions with their durations, lowering speed and smoothness; NaN where the curve has a gap."""
    return tuple(_with_dynamics(one, curve) for one in repetitions)


def _with_dynamics(one: Repetition, curve: SmoothCurve) -> Repetition:
    inside = (curve.time_s >= one.start_s) & (curve.time_s <= one.end_s)
    angle, time = curve.angle_deg[inside], curve.time_s[inside]
    speed = curve.speed_deg_s[inside]
    if len(angle) < 5 or not np.isfinite(angle).all():
        return one
    high = np.flatnonzero(angle >= one.start_deg + NEAR_TOP * (one.peak_deg - one.start_deg))
    top_s, leaves_s = float(time[high[0]]), float(time[high[-1]])
    lowering = speed[time >= leaves_s]
    return replace(
        one,
        raise_s=top_s - one.start_s,
        hold_s=leaves_s - top_s,
        lower_s=one.end_s - leaves_s,
        lowering_speed_deg_s=float(np.max(-lowering, initial=0.0)),
        smoothness=spectral_arc_length(speed, grid_step_s(curve)),
    )


def spectral_arc_length(speed: Floats, step_s: float) -> float:
    """Return the spectral arc length of a speed profile (n,): a negative number, nearer to 0 the smoother; NaN at rest."""
    size = np.abs(np.fft.rfft(np.abs(speed), n=8 * len(speed)))
    if not size[0] > 0:
        return float("nan")
    hz = np.fft.rfftfreq(8 * len(speed), step_s)
    share = size / size[0]
    kept = hz <= HIGHEST_HZ
    hz, share = hz[kept], share[kept]
    last = int(np.flatnonzero(share >= FASTEST_SHARE)[-1])
    if last < 1:
        return float("nan")
    hz, share = hz[: last + 1], share[: last + 1]
    return -float(np.hypot(np.diff(hz) / (hz[-1] - hz[0]), np.diff(share)).sum())


def lowering_remarks(repetitions: tuple[Repetition, ...], curve: SmoothCurve) -> tuple[str, ...]:
    """Return a sentence for each repetition in which the arm dropped instead of being let down."""
    found = []
    for number, one in enumerate(repetitions, 1):
        inside = (curve.time_s >= one.start_s) & (curve.time_s <= one.end_s)
        time, angle, speed = curve.time_s[inside], curve.angle_deg[inside], curve.speed_deg_s[inside]
        if one.peak_deg < DROP_FROM_DEG or len(time) < 5 or not np.isfinite(angle).all():
            continue
        gain = np.gradient(speed, time)
        rising, sinking = time <= one.peak_s, time >= one.peak_s
        fastest_up, fastest_down = float(speed[rising].max(initial=0.0)), float((-speed[sinking]).max(initial=0.0))
        hardest_up, hardest_down = float(gain[rising].max(initial=0.0)), float((-gain[sinking]).max(initial=0.0))
        sudden = hardest_down > DROP_ACCELERATION_RATIO * hardest_up
        if fastest_down > max(DROP_SPEED_DEG_S, DROP_SPEED_RATIO * fastest_up) and sudden:
            at = sinking & (-speed >= 0.5 * fastest_down)
            found.append(
                f"Lowering, repetition {number}: the arm came down suddenly from about {angle[at][0]:.0f} degrees, at up to "
                f"{fastest_down:.0f} degrees a second against {fastest_up:.0f} on the way up. A finding of the lowering "
                "phase, not a diagnosis."
            )
    return tuple(found)
