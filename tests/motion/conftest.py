"""Movements drawn by formula, for the checks of the motion room."""

from __future__ import annotations

import numpy as np
import pytest

from vision_rom.handover import AngleCurve, Floats, Side


class Draw:
    """Curves whose every angle is known."""

    @staticmethod
    def minimum_jerk(phase: Floats) -> Floats:
        """0 to 1 over phase 0 to 1, still outside (Flash & Hogan 1985, J Neurosci 5:1688-1703)."""
        p = np.clip(phase, 0.0, 1.0)
        return np.asarray(10 * p**3 - 15 * p**4 + 6 * p**5)

    @classmethod
    def raises(
        cls,
        time_s: Floats,
        *tops_deg: float,
        rest_deg: float = 0.0,
        lows_deg: tuple[float, ...] | None = None,
        up_s: float = 1.5,
        hold_s: float = 1.0,
        rest_s: float = 1.5,
    ) -> Floats:
        """Raise to each top, hold, return to the next low, rest; the first raise begins after ``rest_s``."""
        lows = lows_deg or (rest_deg,) * (len(tops_deg) + 1)
        angle_deg = np.full(time_s.shape, lows[0], dtype=np.float64)
        at_s = rest_s
        for number, top in enumerate(tops_deg):
            angle_deg += (top - lows[number]) * cls.minimum_jerk((time_s - at_s) / up_s)
            at_s += up_s + hold_s
            angle_deg += (lows[number + 1] - top) * cls.minimum_jerk((time_s - at_s) / up_s)
            at_s += up_s + rest_s
        return angle_deg

    @staticmethod
    def times(duration_s: float, rate_hz: float = 30.0) -> Floats:
        return np.arange(round(duration_s * rate_hz) + 1) / rate_hz

    @staticmethod
    def curve(
        time_s: Floats,
        angle_deg: Floats,
        *,
        movement: str = "abduction",
        side: Side = "right",
        vertical_deg: Floats | None = None,
    ) -> AngleCurve:
        return AngleCurve(
            movement,
            side,
            np.asarray(time_s, dtype=np.float64),
            np.asarray(angle_deg, dtype=np.float64),
            np.array(angle_deg if vertical_deg is None else vertical_deg, dtype=np.float64),
            np.ones(len(time_s)),
        )

    @staticmethod
    def jitter(rng: np.random.Generator, count: int, sd_deg: float, correlation: float = 0.0) -> Floats:
        """Return normal noise, each sample correlated with the one before."""
        fresh = rng.normal(scale=sd_deg, size=count)
        noise = np.empty(count)
        noise[0] = fresh[0]
        for i in range(1, count):
            noise[i] = correlation * noise[i - 1] + np.sqrt(1 - correlation**2) * fresh[i]
        return noise


@pytest.fixture(scope="session")
def draw() -> Draw:
    return Draw()
