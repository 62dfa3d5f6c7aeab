"""The back taken for the front now and then: spans in which a network wavers between the two are settled whole.

Between facing the camera and turning the back to it lies a view from the side, in which face and feet point to one edge of the
picture, whatever left and right are called. So from one such view to the next the patient shows the front alone or the back
alone. A network is sure of a front, since it sees a face: on 156 rendered people filmed from the front it called at most one
picture of a recording a back. Of a back it is less sure, above all while an elbow sticks out. So where the recording shows that the
patient's front leaves it in no doubt, a span in which it wavers shows the back. A recording of one view has no such span to compare
with, and nothing is settled there.

On its way from one to the other a network gives landmarks that are a mean of both, shoulders and hips drawn together in the
middle and the hands with them. Those tell nothing of the arms, and are left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from vision_rom.handover import SIDES, Bools, Floats, Landmark
from vision_rom.spool import by_blocks

_SIDEWAYS_TRUNKS: Final = 0.3
"""Nose before ears and toes before heels, together, from which the patient is seen from the side: about 0.6 in full profile and
0.5 at 45 degrees from it. Lower cuts more often, and is more cautious."""
_WIDE_SHARE: Final = 0.7
_WIDE_TRUNKS: Final = 0.35
"""Shoulders this far apart, as a share of their usual largest in the span and in trunk lengths: the patient stands squarely"""
_MIXED_SHARE: Final = 0.75
"""Shoulders drawn together below this share of their usual largest, between pictures in which the patient stands squarely"""
_MIXED_HIPS_SHARE: Final = 0.5
_WAVERS_FROM_SHARE: Final = 0.1
_WAVERS_FROM_S: Final = 0.4
_SURE_FOR_S: Final = 1.0
_SURE_BELOW_SHARE: Final = 0.03
"""So many of the square pictures must be called backs, and for so long in sum, to be more than chance; and a front that leaves no
doubt must last so long with so few. Our own choice: the largest share of backs in a recording from the front was 0.026."""


@dataclass(frozen=True, slots=True)
class Settled:
    """What follows for each picture."""

    settled: Bools
    """(n,) the patient shows the back here, whatever the network says"""
    front: Bools
    """(n,) of those, the network says front: left and right, front and back are to be exchanged"""
    mixed: Bools
    """(n,) of those, landmarks are a mean of both and tell nothing"""


def settle_wavering(time_s: Floats, landmarks_px: NDArray[np.floating[Any]]) -> Settled:
    """Find the spans in which a network wavered between front and back.

    Parameters
    ----------
    time_s
        (n,) strictly increasing.
    landmarks_px
        (n, 33, 3) as the network gave them; NaN rows where the patient was not found.

    """
    count = len(time_s)
    settled, front, mixed = (np.zeros(count, np.bool_) for _ in range(3))
    figures = by_blocks(count, lambda block: _figures(landmarks_px[block, :, :2]))
    rows = np.flatnonzero(np.isfinite(figures).all(axis=1))
    if len(rows) < 2:
        return Settled(settled, front, mixed)
    shoulders, hips, trunks, face, feet = figures[rows].T
    trunk_px = max(float(np.median(trunks)), 1.0)
    sideways = (np.abs(face + feet) > _SIDEWAYS_TRUNKS * trunk_px) & (face * feet > 0)
    step_s = float(np.median(np.diff(time_s[rows])))
    square_on = np.flatnonzero(~sideways)
    spans = [
        _span(one, shoulders, hips, trunk_px)
        for one in np.split(square_on, np.flatnonzero(np.diff(square_on) > 1) + 1)
        if one.size
    ]
    if not any(one.surely_front(step_s) for one in spans):
        return Settled(settled, front, mixed)
    for one in spans:
        if one.wavers(step_s):
            settled[rows[one.pictures]] = True
            front[rows[one.pictures]] = shoulders[one.pictures] > 0
            mixed[rows[one.pictures]] = one.drawn_together
    return Settled(settled, front, mixed)


@dataclass(frozen=True, slots=True)
class _Span:
    """Pictures from one view from the side to the next."""

    pictures: NDArray[np.int64]
    fronts: int
    """Pictures in which somebody stands squarely and is said to face the camera"""
    backs: int
    drawn_together: Bools
    """(k,) shoulders or hips are drawn together, between pictures in which somebody stands squarely"""

    def surely_front(self, step_s: float) -> bool:
        """Tell whether the front is seen, for long enough and without wavering."""
        return self.fronts * step_s >= _SURE_FOR_S and self.backs <= _SURE_BELOW_SHARE * self.fronts

    def wavers(self, step_s: float) -> bool:
        """Tell whether front and back were both named, and the back not by a chance picture."""
        both = self.fronts > 0 and self.backs >= _WAVERS_FROM_SHARE * (self.fronts + self.backs)
        return both and self.backs * step_s >= _WAVERS_FROM_S


def _span(pictures: NDArray[np.int64], shoulders: Floats, hips: Floats, trunk_px: float) -> _Span:
    width, hip_width = shoulders[pictures], np.abs(hips[pictures])
    largest = float(np.quantile(np.abs(width), 0.9))
    wide = np.abs(width) > max(_WIDE_SHARE * largest, _WIDE_TRUNKS * trunk_px)
    between = np.zeros(len(width), np.bool_)
    if wide.any():
        square = np.flatnonzero(wide)
        between[square[0] : square[-1] + 1] = True
    narrow = (np.abs(width) < _MIXED_SHARE * largest) | (
        hip_width < _MIXED_HIPS_SHARE * float(np.quantile(hip_width, 0.9))
    )
    return _Span(pictures, int((wide & (width > 0)).sum()), int((wide & (width < 0)).sum()), between & narrow)


def _figures(points_px: NDArray[np.floating[Any]]) -> Floats:
    """Return (n, 5): how far apart shoulders and hips are, the trunk's length, and how far face and feet point to the right."""
    points = points_px.astype(np.float64)
    figures = np.column_stack(
        [
            _apart(points, "shoulder"),
            _apart(points, "hip"),
            np.linalg.norm(_middle(points, "shoulder") - _middle(points, "hip"), axis=1),
            points[:, Landmark.NOSE, 0] - _middle(points, "ear")[:, 0],
            _middle(points, "foot_index")[:, 0] - _middle(points, "heel")[:, 0],
        ]
    )
    figures[~np.isfinite(points).all(axis=(1, 2))] = np.nan
    return figures


def _apart(points: Floats, part: str) -> Floats:
    """Return (n,) how far left lies to the right of right, in pixels: negative from behind."""
    left, right = (points[:, Landmark.of(side, part), 0] for side in SIDES)
    return np.asarray(left - right)


def _middle(points: Floats, part: str) -> Floats:
    """Return (n, 2) the middle of a left and a right landmark, the same under either name."""
    return np.asarray(points[:, [Landmark.of(side, part) for side in SIDES]].mean(axis=1))
