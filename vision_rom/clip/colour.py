"""How stored colours become 8-bit RGB: one stated rule per recording, chosen from its tags alone.

Standard dynamic range: matrix and range as tagged; the primaries stay as recorded. High dynamic range (HLG or PQ):

1. YUV to non-linear R'G'B' with the BT.2020 matrix and the tagged range (ITU-R BT.2020-2, table 4).
2. HLG: scene light by the inverse OETF, divided by that of a 75 % signal. PQ: display light by the EOTF, divided by
   203 cd/m2. Both are the reference white of ITU-R BT.2408 (table 1), so diffuse white becomes 1
   (transfer functions: ITU-R BT.2100-2, tables 4 and 5).
3. BT.2020 to BT.709 primaries (inverse of the matrix of ITU-R BT.2087-0), negative light set to 0.
4. Each channel is kept as it is up to 0.7; above that it bends smoothly (slope 1 at 0.7) to reach 1 at the peak: a
   100 % signal in HLG, 1000 cd/m2 in PQ. The shape of the bend is our own; grey, skin and clothes lie below it.
5. HLG: BT.709 OETF (ITU-R BT.709-6, item 1.2), as the same camera would have done without HDR. PQ: inverse of the
   BT.1886 EOTF (power 1/2.4), because PQ stands for what a display shows.
6. 8 bits, rounded.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Transfer = Literal["SDR", "HLG", "PQ"]
Matrix = Literal["BT.601", "BT.709", "BT.2020"]

# Code points of ITU-T H.273 (tables 2 to 4), which every container and codec uses.
_MATRIX_BY_CODE: dict[int, Matrix] = {1: "BT.709", 5: "BT.601", 6: "BT.601", 9: "BT.2020", 10: "BT.2020"}
_TRANSFER_BY_CODE: dict[int, Transfer] = {16: "PQ", 18: "HLG"}
_BT2020_PRIMARIES = 9
_HD_HEIGHT_PX = 720

# (red weight, blue weight) of luma: ITU-R BT.601-7, BT.709-6, BT.2020-2
_LUMA_WEIGHTS: dict[Matrix, tuple[float, float]] = {
    "BT.601": (0.299, 0.114),
    "BT.709": (0.2126, 0.0722),
    "BT.2020": (0.2627, 0.0593),
}

# ITU-R BT.2087-0, M2: linear BT.709 to linear BT.2020
_BT2020_FROM_BT709 = np.array(
    [[0.6274, 0.3293, 0.0433], [0.0691, 0.9195, 0.0114], [0.0164, 0.0880, 0.8956]], dtype=np.float64
)

KNEE = 0.7
REFERENCE_WHITE_CD_M2 = 203.0
PQ_PEAK_CD_M2 = 1000.0
HLG_REFERENCE_SIGNAL = 0.75

_STEPS = 4096
"""Entries of the tables for the transfer functions: four for each step of a 10-bit code."""
_STRIP_ROWS = 16
"""A strip of a picture this high stays in the processor's cache, which makes it four times as fast."""


@dataclass(frozen=True, slots=True)
class ColourRule:
    """How the colours of one recording are read."""

    matrix: Matrix
    full_range: bool
    transfer: Transfer
    assumed_matrix: bool
    """The recording names no matrix that is known here; the usual one for its size was taken."""

    def sentence(self) -> str:
        """Say the rule in words, for the record."""
        matrix = f"{self.matrix} matrix" + (" (assumed, not tagged)" if self.assumed_matrix else "")
        light = {
            "SDR": "transfer and primaries as recorded",
            "HLG": "HLG scene light over its 75 % reference white, BT.709 primaries, shoulder above 0.7, BT.709 OETF",
            "PQ": "PQ display light over 203 cd/m2, BT.709 primaries, shoulder above 0.7 to 1000 cd/m2, "
            "inverse BT.1886",
        }[self.transfer]
        return f"{matrix}, {'full' if self.full_range else 'limited'} range; {light}; 8-bit RGB"


def colour_rule(*, matrix: int, transfer: int, primaries: int, full_range: bool, height_px: int) -> ColourRule:
    """Choose the rule from the tags of a recording (code points of ITU-T H.273).

    Without a known matrix tag: BT.2020 where transfer or primaries point to it, else BT.709 from 720 lines up and
    BT.601 below (common practice of players, no source).
    """
    curve = _TRANSFER_BY_CODE.get(transfer, "SDR")
    known = _MATRIX_BY_CODE.get(matrix)
    if known is not None:
        return ColourRule(known, full_range, curve, assumed_matrix=False)
    if curve != "SDR" or primaries == _BT2020_PRIMARIES:
        return ColourRule("BT.2020", full_range, curve, assumed_matrix=True)
    return ColourRule("BT.709" if height_px >= _HD_HEIGHT_PX else "BT.601", full_range, curve, assumed_matrix=True)


def rgb_from_codes(rule: ColourRule) -> NDArray[np.float64]:
    """Return (3, 4): 8-bit red, green and blue are this times the 8-bit codes (luma, cb, cr, 1) of standard range video.

    Equations and code ranges: ITU-R BT.601-7, 2.5.1 and 2.5.3; BT.709-6, 3; BT.2020-2, tables 4 and 5.
    """
    luma_range, chroma_range, black = (255.0, 255.0, 0.0) if rule.full_range else (219.0, 224.0, 16.0)
    linear = _rgb_from_yuv(rule.matrix) * 255.0 / np.array([luma_range, chroma_range, chroma_range])
    return np.hstack([linear, -linear @ np.array([[black], [128.0], [128.0]])])


def _rgb_from_yuv(matrix: Matrix) -> NDArray[np.float64]:
    """Return (3, 3): red, green, blue, each 0 to 1, from luma, 0 to 1, and two chroma signals, -0.5 to 0.5."""
    red, blue = _LUMA_WEIGHTS[matrix]
    green = 1.0 - red - blue
    return np.array(
        [
            [1.0, 0.0, 2.0 * (1.0 - red)],
            [1.0, -2.0 * blue * (1.0 - blue) / green, -2.0 * red * (1.0 - red) / green],
            [1.0, 2.0 * (1.0 - blue), 0.0],
        ]
    )


def hlg_scene_light(signal: NDArray[np.float64]) -> NDArray[np.float64]:
    """Scene light, 0 to 1, of an HLG signal, 0 to 1 (inverse OETF, ITU-R BT.2100-2, table 5)."""
    a = 0.17883277
    b = 1.0 - 4.0 * a
    c = 0.5 - a * np.log(4.0 * a)
    light = np.where(signal <= 0.5, signal**2 / 3.0, (np.exp((signal - c) / a) + b) / 12.0)
    return np.asarray(light, dtype=np.float64)


def pq_display_light_cd_m2(signal: NDArray[np.float64]) -> NDArray[np.float64]:
    """Display light in cd/m2 of a PQ signal, 0 to 1 (EOTF, ITU-R BT.2100-2, table 4)."""
    m1, m2 = 2610 / 16384, 2523 / 4096 * 128
    c1, c2, c3 = 3424 / 4096, 2413 / 4096 * 32, 2392 / 4096 * 32
    root = signal ** (1.0 / m2)
    light = 10000.0 * (np.maximum(root - c1, 0.0) / (c2 - c3 * root)) ** (1.0 / m1)
    return np.asarray(light, dtype=np.float64)


def shoulder(light: NDArray[np.float64], peak: float) -> NDArray[np.float64]:
    """Keep light up to ``KNEE`` and bend the rest so that ``peak`` becomes 1; light beyond the peak stays at 1."""
    above = np.clip((light - KNEE) / (1.0 - KNEE), 0.0, (peak - KNEE) / (1.0 - KNEE))
    end = (peak - KNEE) / (1.0 - KNEE)
    bent = KNEE + (1.0 - KNEE) * above * (1.0 + above / end**2) / (1.0 + above)
    return np.asarray(np.where(light <= KNEE, light, bent), dtype=np.float64)


def bt709_signal(light: NDArray[np.float64]) -> NDArray[np.float64]:
    """Signal, 0 to 1, of scene light, 0 to 1 (OETF, ITU-R BT.709-6, item 1.2)."""
    signal = np.where(light < 0.018, 4.5 * light, 1.099 * np.maximum(light, 0.0) ** 0.45 - 0.099)
    return np.asarray(signal, dtype=np.float64)


def _light_over_white(signal: NDArray[np.float64], transfer: Transfer) -> NDArray[np.float64]:
    if transfer == "HLG":
        return hlg_scene_light(signal) / hlg_scene_light(np.array(HLG_REFERENCE_SIGNAL))
    return pq_display_light_cd_m2(signal) / REFERENCE_WHITE_CD_M2


def _peak(transfer: Transfer) -> float:
    if transfer == "HLG":
        return float(_light_over_white(np.array(1.0), transfer))
    return PQ_PEAK_CD_M2 / REFERENCE_WHITE_CD_M2


@lru_cache(maxsize=4)
def _tables(
    rule: ColourRule,
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32], NDArray[np.uint8]]:
    """Affine map from 10-bit YUV to table rows, light table (over the peak), primaries, table of 8-bit results.

    The last table is entered with the square root of the light, which spends its rows where the eye does.
    """
    offset, scale = ([0, 512, 512], [1023, 1023, 1023]) if rule.full_range else ([64, 512, 512], [876, 896, 896])
    linear = _rgb_from_yuv(rule.matrix) / np.array(scale) * (_STEPS - 1)
    affine = np.hstack([linear, -linear @ np.array(offset, dtype=np.float64)[:, None]])
    signal = np.linspace(0.0, 1.0, _STEPS)
    peak = _peak(rule.transfer)
    light = np.minimum(_light_over_white(signal, rule.transfer), peak) / peak
    bent = shoulder(signal**2 * peak, peak)
    shown = bt709_signal(bent) if rule.transfer == "HLG" else bent ** (1.0 / 2.4)
    return (
        affine.astype(np.float32),
        light.astype(np.float32),
        np.linalg.inv(_BT2020_FROM_BT709).astype(np.float32),
        np.rint(255.0 * shown).astype(np.uint8),
    )


def rgb8_from_hdr(
    luma: NDArray[np.uint16], cb: NDArray[np.uint16], cr: NDArray[np.uint16], rule: ColourRule
) -> NDArray[np.uint8]:
    """Convert one HLG or PQ picture to 8-bit RGB by the rule in this module's head.

    Parameters
    ----------
    luma
        (height, width), 10-bit codes.
    cb
        (height, width), 10-bit codes.
    cr
        (height, width), 10-bit codes.
    rule
        with transfer HLG or PQ.

    Returns
    -------
    (height, width, 3).
    """
    affine, light, primaries, shown = _tables(rule)
    height, width = luma.shape
    picture = np.empty((height, width, 3), dtype=np.uint8)
    last = np.float32(_STEPS - 1)
    for top in range(0, height, _STRIP_ROWS):
        rows = slice(top, top + _STRIP_ROWS)
        yuv = np.stack([luma[rows].ravel(), cb[rows].ravel(), cr[rows].ravel()]).astype(np.float32)
        signal = affine[:, :3] @ yuv + affine[:, 3:]
        np.clip(signal + np.float32(0.5), 0, last, out=signal)
        linear = primaries @ light[signal.astype(np.uint16)]
        np.clip(linear, 0, 1, out=linear)
        np.sqrt(linear, out=linear)
        places = (linear * last + np.float32(0.5)).astype(np.uint16)
        picture[rows] = shown[places].reshape(3, -1, width).transpose(1, 2, 0)
    return picture
