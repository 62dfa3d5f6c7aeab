"""The turned square of a picture in which the landmark network looks for one person, cut out in the network's size.

The rules are those of MediaPipe's pose pipeline, so that the networks see what they were made for: the square's middle is
between the hips, its half side is 1.25 times the distance from there to a second point, which the networks place on a
circle around the whole person, and it is turned so that this second point lies straight above the middle.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vision_rom.pose.pictures import Grid, Picture

Floats64 = NDArray[np.float64]

_ROOM: Final = 1.25
"""Of the circle around the person"""


@dataclass(frozen=True, slots=True)
class Region:
    """A turned square in a picture."""

    x_px: float
    """Of its middle"""
    y_px: float
    side_px: float
    turn_rad: float
    """Clockwise as seen in the picture"""

    @classmethod
    def around(cls, middle_px: Floats64, rim_px: Floats64) -> Region:
        """Return the region of a person from the middle between the hips (2,) and a point on the circle around them (2,)."""
        x, y = (float(one) for one in rim_px - middle_px)
        # straight up is a turn of 0
        turn = math.atan2(x, -y)
        return cls(float(middle_px[0]), float(middle_px[1]), 2.0 * _ROOM * math.hypot(x, y), turn)

    @classmethod
    def of_whole(cls, width_px: int, height_px: int) -> Region:
        """Return the upright square around a whole picture."""
        return cls(width_px / 2, height_px / 2, float(max(width_px, height_px)), 0.0)

    def to_picture(self, points: Floats64) -> Floats64:
        """Return where points (n, 2), given as shares of the square, lie in the picture, in pixels."""
        return np.asarray(
            np.array([self.x_px, self.y_px]) + turned((np.asarray(points) - 0.5) * self.side_px, self.turn_rad)
        )

    def is_usable(self) -> bool:
        """Say whether anything can be cut out of it."""
        return math.isfinite(self.x_px + self.y_px + self.turn_rad) and 1.0 <= self.side_px < 1e5

    def near(self, other: Region, share: float) -> bool:
        """Say whether the middles are nearer to each other than this share of the smaller side."""
        apart = math.hypot(self.x_px - other.x_px, self.y_px - other.y_px)
        return apart < share * min(self.side_px, other.side_px)


def turned(vectors: Floats64, turn_rad: float) -> Floats64:
    """Turn vectors (n, 2) of a picture clockwise."""
    cos, sin = math.cos(turn_rad), math.sin(turn_rad)
    return np.stack([cos * vectors[:, 0] - sin * vectors[:, 1], sin * vectors[:, 0] + cos * vectors[:, 1]], axis=1)


def cut_out(picture: Picture, region: Region, side_px: int, *, repeat_edge: bool) -> NDArray[np.uint8]:
    """Return a region as an upright picture of RGB (side_px, side_px, 3).

    What lies outside the picture is black, or repeats its edge.
    """
    step = region.side_px / side_px
    x, y = math.cos(region.turn_rad) * step, math.sin(region.turn_rad) * step
    corner = region.to_picture(np.zeros((1, 2)))[0]
    grid = Grid((float(corner[0]), float(corner[1])), (x, y), (-y, x), side_px, side_px)
    return picture.read(grid, repeat_edge=repeat_edge)
