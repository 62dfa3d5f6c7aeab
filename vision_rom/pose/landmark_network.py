"""One person's landmarks in their region, by the network that looks at the region alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vision_rom.handover import Landmark
from vision_rom.pose.inference import Floats32, Network
from vision_rom.pose.pictures import Picture
from vision_rom.pose.regions import Region, cut_out, turned

_POINTS: Final = 39
"""The 33 landmarks, two that span the person's region, and four of the hands"""
_HIPS, _RIM = 33, 34
_NEAR_CELLS: Final = 3
"""How far around a landmark its map of likelihood is weighed (MediaPipe's setting for these networks)"""
_LEAST_LIKELIHOOD: Final = 0.5
"""A map that nowhere near the landmark comes to this says nothing about it (the same)"""

LANDMARKS, PRESENCE, MAPS, METRES = "Identity", "Identity_1", "Identity_3", "Identity_4"
"""Names of the outputs; the third one, the person's outline, is not used."""
USED: Final = (LANDMARKS, PRESENCE, MAPS, METRES)


@dataclass(frozen=True, slots=True)
class SeenPerson:
    """One person in one picture."""

    landmarks_px: Floats32
    """(33, 3)"""
    visibility: Floats32
    """(33,) 0 to 1"""
    world_m: Floats32
    """(33, 3)"""
    region: Region
    """Where these landmarks say that the person is; the next picture's may be cut out there"""


def find_landmarks_in(
    network: Network, picture: Picture, region: Region, *, least_presence: float
) -> SeenPerson | None:
    """Return the person in a region; None where the network sees nobody."""
    cut = cut_out(picture, region, network.side_px, repeat_edge=True)
    outputs = network.run(cut.astype(np.float32) * np.float32(1.0 / 255.0))
    if outputs[PRESENCE][0] < least_presence:
        return None
    numbers = outputs[LANDMARKS].reshape(_POINTS, 5).astype(np.float64)
    shares = numbers[:, :3] / network.side_px
    shares[:, :2] = _refined(shares[:, :2], outputs[MAPS])
    pixels = region.to_picture(shares[:, :2])
    metres = outputs[METRES].reshape(_POINTS, 3).astype(np.float64)
    count = len(Landmark)
    upright = np.column_stack([turned(metres[:count, :2], region.turn_rad), metres[:count, 2]])
    return SeenPerson(
        landmarks_px=np.column_stack([pixels, shares[:, 2] * region.side_px])[:count].astype(np.float32),
        visibility=_likelihood(numbers[:count, 3]).astype(np.float32),
        world_m=upright.astype(np.float32),
        region=Region.around(pixels[_HIPS], pixels[_RIM]),
    )


def _refined(shares: NDArray[np.float64], maps: Floats32) -> NDArray[np.float64]:
    """Move points (n, 2) to the weighted middle of their maps of likelihood (rows, columns, n) in their neighbourhood.

    A point outside its map, or whose map is unsure there, stays.
    """
    rows, columns, _ = maps.shape
    cells = np.floor(shares * (columns, rows)).astype(np.int64)
    around = np.arange(-_NEAR_CELLS, _NEAR_CELLS + 1)
    x, y = cells[:, :1] + around, cells[:, 1:] + around
    inside_x, inside_y = (x >= 0) & (x < columns), (y >= 0) & (y < rows)
    logits = maps[
        y.clip(0, rows - 1)[:, :, None], x.clip(0, columns - 1)[:, None, :], np.arange(len(shares))[:, None, None]
    ]
    weight = _likelihood(logits.astype(np.float64)) * (inside_y[:, :, None] & inside_x[:, None, :])
    total = weight.sum(axis=(1, 2))
    inside = (cells >= 0).all(axis=1) & (cells[:, 0] < columns) & (cells[:, 1] < rows)
    sure = inside & (weight.max(axis=(1, 2)) >= _LEAST_LIKELIHOOD)
    refined = shares.copy()
    refined[sure, 0] = ((weight.sum(axis=1) * x).sum(axis=1) / np.maximum(total, 1e-12) / columns)[sure]
    refined[sure, 1] = ((weight.sum(axis=2) * y).sum(axis=1) / np.maximum(total, 1e-12) / rows)[sure]
    return refined


def _likelihood(logits: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(logits, -80.0, 80.0))))
