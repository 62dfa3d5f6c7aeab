"""How long after the pain its mark comes.

Feeling, deciding and moving take time, and the arm goes on meanwhile. Every source has a lag with a spread; marks are moved back by
the lag, and the spread becomes degrees through the arm's speed. The lags are our own choice: a simple reaction to something felt takes
0.2 to 0.3 s (from memory), deciding that it hurts takes longer, and clicking after someone's word or face longer still.
"""

from __future__ import annotations

from dataclasses import dataclass

from vision_rom.pain.marks import Source


@dataclass(frozen=True, slots=True)
class Reaction:
    """Lag of a mark behind the pain, with the range in which it lies 95 times in a hundred."""

    lag_s: float
    low_s: float
    high_s: float

    def half_width_s(self) -> float:
        """Return half the range."""
        return (self.high_s - self.low_s) / 2


REACTIONS: dict[Source, Reaction] = {
    # counted from the instant at which the hand sets out, not from where it is up
    "hand signal": Reaction(0.40, 0.20, 0.60),
    # the hands come together, or the stick falls, after a short way
    "sound": Reaction(0.50, 0.25, 0.75),
    # typed while looking at the recording again, when the patient's word or face is what is typed
    "typed": Reaction(0.40, 0.10, 0.70),
    "table": Reaction(0.40, 0.10, 0.70),
}

TOO_FAST_DEG = 15.0
"""An angle of onset that is less sure than this either way is not given. Our own choice, as for readings."""
