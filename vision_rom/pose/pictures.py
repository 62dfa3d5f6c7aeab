"""Pictures that the networks' cut-outs are taken from: as arrays of RGB, or as their file stores them.

A cut-out reads a picture at places on a turned grid, linearly between the four nearest pixels. Places are rounded to a
32nd of a pixel, as in the OpenCV that MediaPipe brings along, because the networks answer even to such roundings: with exact
places some landmarks came out 4 px elsewhere in pictures of 480 x 640.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from vision_rom.handover import Floats, Frame, StoredFrame

Bytes = NDArray[np.uint8]

_BITS: Final = 5
_STEPS: Final = 1 << _BITS
LIGHT_STEP: Final = 8
"""Every eighth pixel tells how light a picture is."""


@dataclass(frozen=True, slots=True)
class Grid:
    """Places in a picture, on a turned square grid."""

    start_px: tuple[float, float]
    """Column and row of the first place"""
    along_px: tuple[float, float]
    """From a place to the next one of its row"""
    down_px: tuple[float, float]
    """From a place to the one below it"""
    columns: int
    rows: int

    def mapped(self, affine: Floats) -> Grid:
        """Return the same places in the pixels of another picture: affine (2, 3) times (column, row, 1)."""
        start = affine @ (*self.start_px, 1.0)
        along, down = affine[:, :2] @ self.along_px, affine[:, :2] @ self.down_px
        return Grid(
            (float(start[0]), float(start[1])),
            (float(along[0]), float(along[1])),
            (float(down[0]), float(down[1])),
            self.columns,
            self.rows,
        )

    def read(self, *planes: Bytes, beyond: tuple[int, ...] | None) -> list[Bytes]:
        """Return what each of some pictures (h, w) or (h, w, 3) of one size shows at the places.

        ``beyond`` lies around them; None repeats their edges.
        """
        # loaded here, so that importing the room stays cheap
        import cv2

        pixels, between = self._places()
        edge = cv2.BORDER_REPLICATE if beyond is None else cv2.BORDER_CONSTANT
        return [
            np.asarray(cv2.remap(one, pixels, between, cv2.INTER_LINEAR, borderMode=edge, borderValue=beyond or 0))
            for one in planes
        ]

    def _places(self) -> tuple[NDArray[np.int16], NDArray[np.uint16]]:
        """Return the places in the form that OpenCV reads fastest: whole pixels (rows, columns, 2), and what is between."""
        count, line = np.arange(self.columns), np.arange(self.rows)[:, None]
        pixels = np.empty((self.rows, self.columns, 2), np.int16)
        between = np.zeros((self.rows, self.columns), np.uint16)
        for axis in (0, 1):
            first = (self.start_px[axis] + self.along_px[axis] * count) * _STEPS
            steps = np.rint(first + (self.down_px[axis] * _STEPS) * line).astype(np.int32)
            between += ((steps & (_STEPS - 1)) << (_BITS * axis)).astype(np.uint16)
            steps >>= _BITS
            pixels[..., axis] = steps.clip(-(2**15), 2**15 - 1, out=steps)
        return pixels, between


class Picture(Protocol):
    """What the networks need of a picture."""

    @property
    def width_px(self) -> int:
        """Of the upright picture."""

    @property
    def height_px(self) -> int:
        """Of the upright picture."""

    def read(self, grid: Grid, *, repeat_edge: bool) -> Bytes:
        """Return red, green and blue (rows, columns, 3) at places; beyond the picture black, or its edge repeated."""

    def brightness(self) -> float:
        """Return the mean of green, 0 to 255."""


@dataclass(frozen=True, slots=True)
class RgbPicture:
    """An upright picture of RGB (height_px, width_px, 3)."""

    rgb: Bytes

    @property
    def width_px(self) -> int:
        """Columns."""
        return int(self.rgb.shape[1])

    @property
    def height_px(self) -> int:
        """Rows."""
        return int(self.rgb.shape[0])

    def read(self, grid: Grid, *, repeat_edge: bool) -> Bytes:
        """As in :class:`Picture`."""
        return grid.read(self.rgb, beyond=None if repeat_edge else (0, 0, 0))[0]

    def brightness(self) -> float:
        """As in :class:`Picture`."""
        return float(self.rgb[::LIGHT_STEP, ::LIGHT_STEP, 1].mean())


@dataclass(frozen=True, slots=True)
class StoredPicture:
    """A picture whose colours are converted where it is looked at, and nowhere else."""

    frame: StoredFrame

    @property
    def width_px(self) -> int:
        """As in :class:`Picture`."""
        return self.frame.width_px

    @property
    def height_px(self) -> int:
        """As in :class:`Picture`."""
        return self.frame.height_px

    def read(self, grid: Grid, *, repeat_edge: bool) -> Bytes:
        """As in :class:`Picture`."""
        import cv2

        frame = self.frame
        stored = grid.mapped(frame.stored_from_upright)
        coarse = stored.mapped(_chroma_from_luma(frame))
        # luma that gives black without colour, whatever the range of codes
        at_zero = frame.rgb_from_codes @ (0.0, 128.0, 128.0, 1.0)
        black = max(round(-at_zero.sum() / frame.rgb_from_codes[:, 0].sum()), 0)
        luma = stored.read(frame.luma, beyond=None if repeat_edge else (black,))
        colours = coarse.read(frame.cb, frame.cr, beyond=None if repeat_edge else (128,))
        return np.asarray(cv2.transform(cv2.merge([*luma, *colours]), frame.rgb_from_codes))

    def brightness(self) -> float:
        """As in :class:`Picture`."""
        frame = self.frame
        rows, columns = (full // part for full, part in zip(frame.luma.shape, frame.cb.shape, strict=True))
        codes = [
            float(frame.luma[::LIGHT_STEP, ::LIGHT_STEP].mean()),
            *(float(plane[:: LIGHT_STEP // rows, :: LIGHT_STEP // columns].mean()) for plane in (frame.cb, frame.cr)),
        ]
        return float(np.clip(frame.rgb_from_codes[1] @ (*codes, 1.0), 0.0, 255.0))


def picture_of(frame: Frame | StoredFrame) -> Picture:
    """Return the picture of a frame."""
    return StoredPicture(frame) if isinstance(frame, StoredFrame) else RgbPicture(frame.rgb)


def part_of(picture: Picture, left: int, top: int, right: int, bottom: int) -> RgbPicture:
    """Return a part of a picture as a picture of its own."""
    grid = Grid((left, top), (1.0, 0.0), (0.0, 1.0), right - left, bottom - top)
    return RgbPicture(picture.read(grid, repeat_edge=True))


def _chroma_from_luma(frame: StoredFrame) -> Floats:
    """Return (2, 3): a colour plane's column and row are this times (column, row, 1) of the luma plane.

    Where colour has half the columns, its first lies on the first of luma; where it has half the rows, its first lies
    between the first two (ITU-T H.264, Annex E, figure E-1: the usual place, type 0).
    """
    columns = 2 if frame.cb.shape[1] < frame.luma.shape[1] else 1
    rows = 2 if frame.cb.shape[0] < frame.luma.shape[0] else 1
    return np.array([[1.0 / columns, 0.0, 0.0], [0.0, 1.0 / rows, -0.25 if rows == 2 else 0.0]])
