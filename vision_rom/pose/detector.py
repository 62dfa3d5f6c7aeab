"""Where people are in a whole picture, by the network that looks at it once.

The network answers for 2254 fixed places of its picture whether a person is there, with a box around the face and four
points, of which the first two span the person's region. Neighbouring places answer for the same person and are averaged.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vision_rom.pose.inference import Floats32, Network
from vision_rom.pose.pictures import Picture
from vision_rom.pose.regions import Region, cut_out

NUMBERS, SURENESS = "Identity", "Identity_1"
"""Names of the outputs"""
USED: Final = (NUMBERS, SURENESS)
_GRIDS: Final = ((28, 2), (14, 2), (7, 6))
"""Cells a side, and places in each cell, of the network's three layers of answers"""
_SAME_PERSON: Final = 0.3
"""Share of their common area from which two boxes are of one person (MediaPipe's setting for this network)"""
_HIPS, _RIM = 0, 1
"""Of the four points: the middle between the hips, and one on the circle around the person"""


@dataclass(frozen=True, slots=True)
class _Answers:
    """Those that are sure enough, the surest first, in shares of the network's picture."""

    sureness: NDArray[np.float32]
    """(n,) 0 to 1"""
    boxes: NDArray[np.float32]
    """(n, 4) left, top, right, bottom"""
    points: NDArray[np.float32]
    """(n, 4, 2)"""


def find_regions(network: Network, picture: Picture, *, most: int, least_sureness: float) -> list[Region]:
    """Return the regions of at most so many people, the surest first."""
    whole = Region.of_whole(picture.width_px, picture.height_px)
    small = cut_out(picture, whole, network.side_px, repeat_edge=False)
    outputs = network.run(small.astype(np.float32) * np.float32(2.0 / 255.0) - np.float32(1.0))
    answers = _answers(outputs[NUMBERS], outputs[SURENESS][:, 0], network.side_px, least_sureness)
    found = []
    for points in _each_person(answers)[:most]:
        hips, rim = whole.to_picture(points[[_HIPS, _RIM]].astype(np.float64))
        found.append(Region.around(hips, rim))
    return [one for one in found if one.is_usable()]


def _places() -> Floats32:
    """Return (2254, 2) x, y of the middle of each answer's cell, in shares of the picture."""
    layers = []
    for cells, each in _GRIDS:
        middles = (np.arange(cells) + 0.5) / cells
        x, y = np.meshgrid(middles, middles)
        layers.append(np.repeat(np.stack([x.ravel(), y.ravel()], axis=1), each, axis=0))
    return np.concatenate(layers).astype(np.float32)


_PLACES: Final = _places()


def _answers(numbers: Floats32, logits: Floats32, side_px: int, least_sureness: float) -> _Answers:
    # beyond 100 the exponential has no value in single precision, and nothing changes any more
    sureness = 1.0 / (1.0 + np.exp(-np.clip(logits, -80.0, 80.0)))
    sure = np.flatnonzero(sureness >= least_sureness)
    sure = sure[np.argsort(-sureness[sure], kind="stable")]
    at, shares = _PLACES[sure], numbers[sure] / side_px
    middle, half = shares[:, :2] + at, shares[:, 2:4] / 2
    points = shares[:, 4:].reshape(-1, 4, 2) + at[:, None]
    boxes = np.concatenate([middle - half, middle + half], axis=1)
    return _Answers(sureness[sure].astype(np.float32), boxes.astype(np.float32), points.astype(np.float32))


def _each_person(answers: _Answers) -> list[NDArray[np.float32]]:
    """Return the four points (4, 2) of each person: the mean over all answers for them, weighted by sureness."""
    people = []
    left = np.arange(len(answers.sureness))
    while len(left):
        same = _common_share(answers.boxes[left[0]], answers.boxes[left]) > _SAME_PERSON
        same[0] = True
        group = left[same]
        weight = answers.sureness[group] / answers.sureness[group].sum()
        people.append(np.einsum("i,ijk->jk", weight, answers.points[group]))
        left = left[~same]
    return people


def _common_share(box: Floats32, boxes: Floats32) -> Floats32:
    """Return (n,) the area common to a box and each of others, as a share of what the two cover together."""
    low, high = np.maximum(box[:2], boxes[:, :2]), np.minimum(box[2:], boxes[:, 2:])
    common = np.prod(np.maximum(high - low, 0.0), axis=1)
    area, areas = np.prod(box[2:] - box[:2]), np.prod(boxes[:, 2:] - boxes[:, :2], axis=1)
    return np.asarray(common / np.maximum(area + areas - common, np.float32(1e-12)), np.float32)
