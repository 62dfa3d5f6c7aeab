"""A second look for people who were there a moment ago.

The detector looks at the whole picture at once and now and then passes over one of two people, mostly one who turns the side to the
camera beside somebody who faces it. Cut out alone, the same person is found: so where somebody of late is missing, the
place is cut out and looked at again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vision_rom.handover import Floats, Frame
from vision_rom.pose.follow import places_and_sizes, without_duplicates
from vision_rom.pose.landmarker import Landmarker, People

_FORGOTTEN_AFTER_S: Final = 2.0
"""Who has not been seen for longer has left. Our own choice."""
_SAME_WITHIN_SIZES: Final = 0.5
"""Somebody found nearer than this to where another was of late is that person, as a share of their size."""
_ROOM: Final = 0.25
"""What is cut out beyond the person's last outline, as a share of its longer side"""


@dataclass(frozen=True, slots=True)
class _OfLate:
    place_px: Floats
    size_px: float
    outline_px: Floats
    """(4,) left, top, right, bottom"""
    seen_s: float


class PeopleOfLate:
    """Remembers where people were in the last pictures, and looks again where one of them is missing."""

    def __init__(self) -> None:
        """Begin with nobody."""
        self._known: list[_OfLate] = []

    def look(self, landmarker: Landmarker, frame: Frame) -> People:
        """Return everybody in a picture, each once."""
        people = _each_once(landmarker.look(frame.rgb))
        for one in self._missing(people, frame.time_s):
            again = _look_at(landmarker, frame.rgb, one)
            if len(again):
                people = _each_once(_joined(people, again))
        self._remember(people, frame.time_s)
        return people

    def _missing(self, people: People, time_s: float) -> list[_OfLate]:
        self._known = [one for one in self._known if time_s - one.seen_s <= _FORGOTTEN_AFTER_S]
        places, _ = places_and_sizes(people.landmarks_px)
        return [one for one in self._known if not _near(one, places).any()]

    def _remember(self, people: People, time_s: float) -> None:
        places, sizes = places_and_sizes(people.landmarks_px)
        unseen = [one for one in self._known if not _near(one, places).any()]
        found = [
            _OfLate(place, float(size), _outline(points), time_s)
            for place, size, points in zip(places, sizes, people.landmarks_px, strict=True)
        ]
        self._known = unseen + found


def _near(one: _OfLate, places_px: Floats) -> NDArray[np.bool_]:
    return np.asarray(np.linalg.norm(places_px - one.place_px, axis=-1) < _SAME_WITHIN_SIZES * one.size_px)


def _outline(points: NDArray[np.float32]) -> Floats:
    return np.concatenate([points[:, :2].min(axis=0), points[:, :2].max(axis=0)]).astype(np.float64)


def _look_at(landmarker: Landmarker, rgb: NDArray[np.uint8], one: _OfLate) -> People:
    """Look at what was cut out around a person, and return those of its people who stand where the person was."""
    height, width = rgb.shape[:2]
    left, top, right, bottom = one.outline_px
    margin = _ROOM * max(right - left, bottom - top)
    x, y = (int(np.clip(at - margin, 0, limit)) for at, limit in ((left, width), (top, height)))
    to_x, to_y = (int(np.clip(at + margin, 0, limit)) for at, limit in ((right, width), (bottom, height)))
    if to_x - x < 2 or to_y - y < 2:
        return People.nobody()
    found = landmarker.look(np.ascontiguousarray(rgb[y:to_y, x:to_x]))
    moved = found.landmarks_px.copy()
    moved[..., :2] += np.array([x, y], np.float32)
    places, _ = places_and_sizes(moved)
    return replace(found, landmarks_px=moved).pick(np.flatnonzero(_near(one, places)))


def _each_once(people: People) -> People:
    return people.pick(without_duplicates(people.landmarks_px, people.visibility))


def _joined(first: People, second: People) -> People:
    return People(
        landmarks_px=np.concatenate([first.landmarks_px, second.landmarks_px]),
        visibility=np.concatenate([first.visibility, second.visibility]),
        world_m=np.concatenate([first.world_m, second.world_m]),
    )
