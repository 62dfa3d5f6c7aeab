"""How a stored picture is turned, flipped and sized to become the upright picture that a viewer sees.

Pure functions: numbers and arrays in, numbers and arrays out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

LONGEST_SIDE_PX = 1920
"""Larger pictures are reduced to this: the pose networks see a crop of a few hundred pixels, and memory stays bounded."""

PIXEL_ASPECT_LIMITS = (Fraction(1, 4), Fraction(4))
"""A width-to-height ratio of one pixel outside these limits is taken for a damaged header and ignored."""


@dataclass(frozen=True, slots=True)
class Orientation:
    """First the clockwise turn, then (where ``mirrored``) the exchange of left and right."""

    rotation_deg: int = 0
    """0, 90, 180 or 270, clockwise."""
    mirrored: bool = False
    turned_by_deg: float = 0.0
    """The turn as written, before it was rounded to a quarter turn; 0 to 360, clockwise."""

    def flipped(self) -> Orientation:
        """Return the orientation that flips the upright picture once more from left to right."""
        return replace(self, mirrored=not self.mirrored)


def orientation_of(matrix: Sequence[float] | None) -> Orientation:
    """Read the turn and the flip from a display matrix of nine numbers.

    The matrix is that of ISO/IEC 14496-12 (track header box), row by row ``a b u, c d v, x y w``: the point (p, q) of the
    stored picture is shown at (a p + c q + x, b p + d q + y), y down. Only the ratios of a, b, c and d matter here. A
    negative determinant means that left and right are exchanged. No matrix, or one without area, means upright.

    Raises
    ------
    ValueError
        where there are not nine numbers.
    """
    if matrix is None:
        return Orientation()
    if len(matrix) != 9:
        raise ValueError(f"a display matrix has 9 numbers, not {len(matrix)}")
    a, b, _, c, d = (float(value) for value in matrix[:5])
    determinant = a * d - b * c
    if determinant == 0 or not math.isfinite(determinant):
        return Orientation()
    mirrored = determinant < 0
    # A turn by t takes the x axis to (cos t, sin t); the flip after it negates the first coordinate.
    turned_by_deg = math.degrees(math.atan2(b, -a if mirrored else a)) % 360.0
    return Orientation(round(turned_by_deg / 90.0) % 4 * 90, mirrored, turned_by_deg)


def orient(picture: NDArray[np.uint8], orientation: Orientation) -> NDArray[np.uint8]:
    """Turn, then flip, a picture of shape (height, width, 3); the result owns contiguous memory."""
    turned = np.rot90(picture, k=-orientation.rotation_deg // 90)
    return np.ascontiguousarray(turned[:, ::-1] if orientation.mirrored else turned)


def stored_from_upright(orientation: Orientation, width_px: int, height_px: int) -> NDArray[np.float64]:
    """Return (2, 3): a stored picture's column and row are this times (column, row, 1) of the upright picture.

    ``width_px`` and ``height_px`` are those of the upright picture. Picking the stored pixels so gives what
    :func:`orient` gives.
    """
    right, bottom = width_px - 1, height_px - 1
    flip = np.array([[-1.0, 0.0, right], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]) if orientation.mirrored else np.eye(3)
    turn = {
        0: [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]],
        90: [[0.0, 1.0, 0.0], [-1.0, 0.0, right]],
        180: [[-1.0, 0.0, right], [0.0, -1.0, bottom]],
        270: [[0.0, -1.0, bottom], [1.0, 0.0, 0.0]],
    }[orientation.rotation_deg]
    return np.asarray(np.array(turn) @ flip, np.float64)


def square_pixel_size(width_px: int, height_px: int, pixel_aspect: Fraction | None) -> tuple[int, int]:
    """Size of the picture with square pixels; one side is stretched, none is shrunk.

    Angles measured in pixels that are not square would be wrong. ``pixel_aspect`` is width / height of one pixel.
    """
    lowest, highest = PIXEL_ASPECT_LIMITS
    if pixel_aspect is None or not lowest <= pixel_aspect <= highest:
        return width_px, height_px
    if pixel_aspect >= 1:
        return round(width_px * pixel_aspect), height_px
    return width_px, round(height_px / pixel_aspect)


def reduced_size(width_px: int, height_px: int, longest_side_px: int = LONGEST_SIDE_PX) -> tuple[int, int]:
    """Size after reduction to the longest side allowed; small pictures stay as they are, no side falls below 1."""
    longest = max(width_px, height_px)
    if longest <= longest_side_px:
        return width_px, height_px
    scale = Fraction(longest_side_px, longest)
    return max(1, round(width_px * scale)), max(1, round(height_px * scale))


def upright_size(width_px: int, height_px: int, orientation: Orientation) -> tuple[int, int]:
    """Width and height after the turn."""
    return (height_px, width_px) if orientation.rotation_deg % 180 else (width_px, height_px)
