"""Where a curve turns: hysteresis that a wobble smaller than its threshold cannot trip."""

from __future__ import annotations

from dataclasses import dataclass

from vision_rom.handover import Floats


@dataclass(frozen=True, slots=True)
class Swing:
    """One top of a curve with the bottoms beside it, as indices into the curve."""

    before: int
    """Lowest sample before the top, or the first sample where no rise was seen."""
    top: int
    after: int
    """Lowest sample after the top, or the last sample where no fall was seen."""
    rise_seen: bool
    fall_seen: bool


def swings(angle_deg: Floats, *, threshold_deg: float) -> list[Swing]:
    """Find tops that the curve rises to, or falls from, by at least ``threshold_deg``.

    A top is settled only once the curve has fallen ``threshold_deg`` below it, a bottom only once it has risen as
    much above it, so tops and bottoms alternate and a wobble in a hold stays part of the hold.

    Parameters
    ----------
    angle_deg
        (n,) without NaN.
    threshold_deg
        Above 0.

    Returns
    -------
    list[Swing]
        In order of time. Empty where the whole curve stays within ``threshold_deg``. Only the first can lack its rise
        and only the last its fall.

    """
    turns = _turns(angle_deg, threshold_deg)
    found: list[Swing] = []
    for position, (index, is_top) in enumerate(turns):
        if not is_top:
            continue
        rise_seen = position > 0
        fall_seen = position < len(turns) - 1
        before = turns[position - 1][0] if rise_seen else 0
        after = turns[position + 1][0] if fall_seen else angle_deg.size - 1
        found.append(Swing(before=before, top=index, after=after, rise_seen=rise_seen, fall_seen=fall_seen))
    return found


def _turns(angle_deg: Floats, threshold_deg: float) -> list[tuple[int, bool]]:
    """Return (index, is_top) of alternating extremes, with the first and last of the curve among them."""
    turns: list[tuple[int, bool]] = []
    if angle_deg.size == 0:
        return turns
    values = angle_deg.tolist()
    high = low = 0
    rising: bool | None = None  # None until the curve has moved by the threshold
    for i, value in enumerate(values):
        if value > values[high]:
            high = i
        if value < values[low]:
            low = i
        if rising is not False and value <= values[high] - threshold_deg:
            turns.append((high, True))
            rising, low = False, i
        elif rising is not True and value >= values[low] + threshold_deg:
            turns.append((low, False))
            rising, high = True, i
    if rising is not None:
        turns.append((high, True) if rising else (low, False))
    return turns
