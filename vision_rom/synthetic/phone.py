"""What a phone makes of a perfect picture: exposure, colour cast, a soft lens, noise, sharpening, and compression.

Strengths are common practice with no source; they are chosen by eye to span phone recordings from good to poor. Motion
blur is not here but in :meth:`vision_rom.synthetic.renderer.Renderer.draw_moving`, for it needs the moving bodies.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from vision_rom.errors import UsageError

Picture = NDArray[np.uint8]

_LIMITS = {
    "exposure_ev": (-4.0, 4.0),
    "gamma": (0.4, 2.5),
    "warmth": (-0.6, 0.6),
    "noise": (0.0, 60.0),
    "grain_px": (0.0, 4.0),
    "blur_px": (0.0, 8.0),
    "vignette": (0.0, 0.9),
    "sharpening": (0.0, 3.0),
    "jpeg_quality": (0, 100),
    "shutter_s": (0.0, 0.5),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Phone:
    """How one phone camera is set and how good it is; the default is a good one in good light."""

    exposure_ev: float = 0.0
    """Stops over (positive) or under the picture that the room's light would give"""
    gamma: float = 1.0
    """Above 1 darkens the middle tones"""
    warmth: float = 0.0
    """White balance error: red up and blue down by this share"""
    noise: float = 2.0
    """Standard deviation in grey levels of 0 to 255 at middle brightness"""
    grain_px: float = 0.6
    """Size of the noise's grains (standard deviation of the blur that makes them)"""
    blur_px: float = 0.6
    """Softness of the lens and its focus (standard deviation)"""
    vignette: float = 0.1
    """Share of light that the corners lose"""
    sharpening: float = 0.3
    """How much of the lost detail the phone exaggerates again"""
    jpeg_quality: int = 0
    """Compression of single pictures, 0 for none; a clip's is the encoder's"""
    shutter_s: float = 0.008
    """How long each picture is exposed"""

    def __post_init__(self) -> None:
        for name, (low, high) in _LIMITS.items():
            if not low <= getattr(self, name) <= high:
                raise UsageError(f"A phone's {name} lies between {low:g} and {high:g}, not at {getattr(self, name)}.")


LOW_LIGHT = Phone(
    exposure_ev=-1.1, noise=9.0, grain_px=0.9, blur_px=0.9, vignette=0.2, sharpening=0.5, warmth=0.12, shutter_s=0.033
)
"""A dim room in the evening."""


def draw_phone(rng: np.random.Generator) -> Phone:
    """Invent a phone: mostly decent, one in six in low light."""
    dim = rng.random() < 1 / 6
    return Phone(
        exposure_ev=float(rng.normal(-1.0 if dim else 0.0, 0.35)),
        gamma=float(rng.uniform(0.85, 1.2)),
        warmth=float(np.clip(rng.normal(0.0, 0.07), -0.2, 0.2)),
        noise=float(rng.uniform(5.0, 12.0) if dim else rng.uniform(0.5, 5.0)),
        grain_px=float(rng.uniform(0.4, 1.1)),
        blur_px=float(rng.uniform(0.3, 1.3)),
        vignette=float(rng.uniform(0.0, 0.3)),
        sharpening=float(rng.uniform(0.0, 0.8)),
        jpeg_quality=int(rng.integers(45, 96)),
        shutter_s=float(rng.uniform(0.015, 0.035) if dim else rng.uniform(0.002, 0.015)),
    )


def photograph(picture: Picture, phone: Phone, rng: np.random.Generator) -> Picture:
    """Return the picture (height, width, 3) as the phone would store it; the generator decides the noise alone."""
    seen = cv2.LUT(picture, _tone_table(phone)) if _changes_tones(phone) else picture
    if phone.blur_px > 0.15:
        seen = cv2.GaussianBlur(seen, (0, 0), phone.blur_px)
    if phone.vignette > 0.0 or phone.noise > 0.0:
        light = seen.astype(np.float32)
        if phone.vignette > 0.0:
            light *= _vignette(picture.shape[0], picture.shape[1], round(phone.vignette, 3))[..., None]
        if phone.noise > 0.0:
            light += cv2.LUT(seen, _noise_table(phone.noise)) * _noise(picture.shape, round(phone.grain_px, 1), rng)
        seen = np.clip(light + np.float32(0.5), 0, 255).astype(np.uint8)
    if phone.sharpening > 0.0:
        soft = cv2.GaussianBlur(seen, (0, 0), 1.2)
        seen = cv2.addWeighted(seen, 1.0 + phone.sharpening, soft, -phone.sharpening, 0.0)
    if phone.jpeg_quality:
        # the codec takes the channels in any order, and gives them back in the same one
        _, coded = cv2.imencode(".jpg", seen, [cv2.IMWRITE_JPEG_QUALITY, phone.jpeg_quality])
        seen = cv2.imdecode(coded, cv2.IMREAD_COLOR)
    return np.asarray(seen, np.uint8)


def _changes_tones(phone: Phone) -> bool:
    return phone.exposure_ev != 0.0 or phone.gamma != 1.0 or phone.warmth != 0.0


@lru_cache(maxsize=64)
def _tone_table(phone: Phone) -> Picture:
    """Screen value after exposure, colour cast and gamma for each old one and channel (1, 256, 3)."""
    light = (np.arange(256) / 255.0) ** 2.2
    gains = 2.0**phone.exposure_ev * np.array([1.0 + phone.warmth, 1.0, 1.0 - phone.warmth])
    shown = np.clip(light[:, None] * gains, 0.0, 1.0) ** (phone.gamma / 2.2)
    return np.asarray(np.round(255.0 * shown), np.uint8)[None]


@lru_cache(maxsize=64)
def _noise_table(noise: float) -> NDArray[np.float32]:
    """Noise by grey level (1, 256): in screen values the dark parts are the noisier ones."""
    return np.asarray(noise * (1.3 - 0.6 * np.arange(256) / 255.0), np.float32)[None]


@lru_cache(maxsize=16)
def _vignette(height: int, width: int, loss: float) -> NDArray[np.float32]:
    row, column = np.mgrid[-1 : 1 : height * 1j, -1 : 1 : width * 1j]
    return np.asarray(1.0 - loss * ((row**2 + column**2) / 2.0), np.float32)


_MARGIN_PX = 97


@lru_cache(maxsize=12)
def _noise_stock(height: int, width: int, grain_px: float) -> NDArray[np.float32]:
    """Noise of unit strength, larger than a picture: drawing fresh normal numbers would cost more than the rendering."""
    rng = np.random.default_rng((height, width, 55))
    grey = rng.standard_normal((height + _MARGIN_PX, width + _MARGIN_PX, 1), np.float32)
    colour = rng.standard_normal((height + _MARGIN_PX, width + _MARGIN_PX, 3), np.float32)
    stock = np.asarray(grey + np.float32(0.6) * colour, np.float32)
    if grain_px > 0.0:
        stock = cv2.GaussianBlur(stock, (0, 0), grain_px)
    return np.asarray(stock / stock.std(), np.float32)


def _noise(shape: tuple[int, ...], grain_px: float, rng: np.random.Generator) -> NDArray[np.float32]:
    """Cut a random piece from the stock, mirrored at random."""
    stock = _noise_stock(shape[0], shape[1], grain_px)
    row, column = rng.integers(0, _MARGIN_PX, 2)
    piece = stock[row : row + shape[0], column : column + shape[1]]
    flip_rows, flip_columns = rng.integers(0, 2, 2) * 2 - 1
    return np.asarray(piece[::flip_rows, ::flip_columns])
