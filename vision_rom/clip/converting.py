"""From a decoded picture to the upright 8-bit RGB array: size, colours, turn and flip of one recording."""

from __future__ import annotations

from typing import Any, cast

import numpy as np
from av.video.frame import VideoFrame
from av.video.plane import VideoPlane
from av.video.reformatter import Interpolation, VideoReformatter
from av.video.stream import VideoStream
from numpy.typing import NDArray

from vision_rom.clip.colour import colour_rule, rgb8_from_hdr, rgb_from_codes
from vision_rom.clip.decoding import display_matrix
from vision_rom.clip.display import (
    orient,
    orientation_of,
    reduced_size,
    square_pixel_size,
    stored_from_upright,
    upright_size,
)
from vision_rom.handover import StoredFrame

_EXACT = int(Interpolation.AREA | Interpolation.ACCURATE_RND | Interpolation.FULL_CHR_H_INT)
"""Averages when it reduces, and keeps full white at 255 (the quicker ways end at 253)."""
_FULL_RANGE = 2  # code of av.video.reformatter.ColorRange.JPEG
_LIMITED_RANGE = 1
_RGB_MATRIX = 0  # ITU-T H.273: the planes are RGB already
_SWSCALE_MATRIX = {"BT.601": 5, "BT.709": 1, "BT.2020": 9}
_SAME_SHAPE = 0.01
_PLANES_APART = ("yuv420p", "yuvj420p", "yuv422p", "yuvj422p", "yuv444p", "yuvj444p")
"""8-bit formats whose three planes can be looked at as they are"""


class PictureConverter:
    """Turns decoded pictures into arrays; all follow the geometry and colour tags of the first one."""

    def __init__(self, first: VideoFrame, stream: VideoStream, *, mirrored: bool, longest_side_px: int) -> None:
        self.asked_orientation = orientation_of(display_matrix(first))
        """What the container asks for, before the user's own flip."""
        self.orientation = self.asked_orientation.flipped() if mirrored else self.asked_orientation
        square_px = square_pixel_size(first.width, first.height, stream.sample_aspect_ratio)
        self._stored_px = (first.width, first.height)
        self._scaled_px = reduced_size(*square_px, longest_side_px)
        self.shown_px = upright_size(*square_px, self.orientation)
        """Width and height of the upright picture before it is reduced."""
        self.width_px, self.height_px = upright_size(*self._scaled_px, self.orientation)
        context = stream.codec_context
        self._is_rgb = int(context.colorspace) == _RGB_MATRIX or first.format.is_rgb
        self._rule = colour_rule(
            matrix=int(context.colorspace),
            transfer=int(context.color_trc),
            primaries=int(context.color_primaries),
            full_range=int(context.color_range) == _FULL_RANGE or first.format.name.startswith("yuvj"),
            height_px=min(self._stored_px),
        )
        self.colour = "RGB as recorded" if self._is_rgb else self._rule.sentence()
        self._is_hdr = self._rule.transfer != "SDR" and not self._is_rgb
        self._rgb_from_codes = rgb_from_codes(self._rule)
        self._stored_from_upright = stored_from_upright(self.orientation, self.width_px, self.height_px)
        self._reformatter = VideoReformatter()

    def fits(self, frame: VideoFrame) -> bool:
        """Say whether the picture has the shape of the first one.

        A browser may change the size while it records; only a change of shape makes pictures incomparable.
        """
        width, height = self._stored_px
        return abs(frame.width * height - frame.height * width) <= _SAME_SHAPE * frame.width * height

    def rgb(self, frame: VideoFrame) -> NDArray[np.uint8]:
        """Return the upright picture, (height_px, width_px, 3)."""
        return orient(self._stored_rgb(frame), self.orientation)

    def stored(self, frame: VideoFrame, *, index: int, time_s: float) -> StoredFrame | None:
        """Return the picture as it is stored, reduced where it is larger than asked for; None where colours need more.

        Pictures of high dynamic range and of other than Y'CbCr colours can only be had by :meth:`rgb`.
        """
        if self._is_rgb or self._is_hdr:
            return None
        if (frame.width, frame.height) != self._scaled_px or frame.format.name not in _PLANES_APART:
            width, height = self._scaled_px
            matrix, levels = (
                _SWSCALE_MATRIX[self._rule.matrix],
                _FULL_RANGE if self._rule.full_range else _LIMITED_RANGE,
            )
            frame = self._reformatter.reformat(
                frame,
                width=width,
                height=height,
                format="yuv420p",
                interpolation=_EXACT,
                src_colorspace=matrix,
                dst_colorspace=matrix,
                src_color_range=levels,
                dst_color_range=levels,
            )
        luma, cb, cr = (_samples(plane) for plane in frame.planes)
        return StoredFrame(
            index=index,
            time_s=time_s,
            luma=luma,
            cb=cb,
            cr=cr,
            rgb_from_codes=self._rgb_from_codes,
            stored_from_upright=self._stored_from_upright,
            width_px=self.width_px,
            height_px=self.height_px,
        )

    def _stored_rgb(self, frame: VideoFrame) -> NDArray[np.uint8]:
        width, height = self._scaled_px
        is_hdr = self._is_hdr
        matrix = None if self._is_rgb else _SWSCALE_MATRIX[self._rule.matrix]
        recorded_range = _FULL_RANGE if self._rule.full_range else _LIMITED_RANGE
        scaled = self._reformatter.reformat(
            frame,
            width=width,
            height=height,
            format="yuv444p10le" if is_hdr else "rgb24",
            interpolation=_EXACT,
            src_colorspace=matrix,
            dst_colorspace=matrix if is_hdr else None,
            src_color_range=None if self._is_rgb else recorded_range,
            dst_color_range=recorded_range if is_hdr else _FULL_RANGE,
        )
        if not is_hdr:
            return np.asarray(scaled.to_ndarray(), dtype=np.uint8)
        luma, cb, cr = (
            np.frombuffer(bytes(plane), dtype=np.uint16).reshape(height, plane.line_size // 2)[:, :width]
            for plane in scaled.planes
        )
        return rgb8_from_hdr(luma, cb, cr, self._rule)


def _samples(plane: VideoPlane) -> NDArray[np.uint8]:
    """Return the samples (rows, columns) of an 8-bit plane, without copying them."""
    # planes offer their memory as buffers do, but the library's types do not say so
    samples = np.frombuffer(memoryview(cast(Any, plane)), np.uint8).reshape(-1, plane.line_size)
    return samples[: plane.height, : plane.width]
