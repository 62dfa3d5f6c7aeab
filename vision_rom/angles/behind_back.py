"""How high a hand reaches on the back, seen from behind: a place along the spine, never a vertebra."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision_rom.angles.elevation import trunk_down_px
from vision_rom.angles.vectors import along_and_across, midpoint
from vision_rom.angles.view import ViewEstimate
from vision_rom.handover import Floats, Landmark, PoseTrack, Side

HALF_WIDTH = 0.10
"""95% interval of a held ratio either way: on 15 reaches of eight rendered people (``proof/examination_cases.py``,
``SEEN_PEOPLE``) the ratio erred by 0.00 on average with a standard deviation of 0.045; rounded up."""
NEAR_MIDLINE_TRUNKS = 0.45
"""A hand further off the trunk's midline is not on the back."""


@dataclass(frozen=True, slots=True)
class BackReach:
    """Height of the hand along the spine."""

    ratio: Floats
    """(n,) 0 at C7 and 1 at the sacrum's line, as shoulders' and hips' middles stand for them; NaN where the hand was not on the back"""
    reason: str
    """Why nothing was measured, or nothing"""


def back_reach(track: PoseTrack, *, side: Side, view: ViewEstimate) -> BackReach:
    """Follow the tip of the index finger along the line from the shoulders' middle to the hips' middle.

    On a hand whose thumb points up the spine, thumb and index finger end within a few centimetres; the network places the
    index finger better (on the people of :data:`HALF_WIDTH` the thumb's landmark read 0.03 too high).
    """
    nothing = np.full(len(track.time_s), np.nan)
    if not np.isfinite(view.facing_deg) or view.view != "back":
        return BackReach(nothing, "Not measured: the hand behind the back is seen from behind only; film the back.")
    px = track.landmarks_px[..., :2]
    down = trunk_down_px(px)
    length = np.hypot(down[:, 0], down[:, 1])
    middle = midpoint(px, Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER)
    along, across = along_and_across(px[:, Landmark.of(side, "index")] - middle, down)
    on_back = np.abs(across) < NEAR_MIDLINE_TRUNKS * length
    return BackReach(np.where(on_back, along / length, np.nan), "")
