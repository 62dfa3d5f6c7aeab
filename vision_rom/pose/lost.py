"""People from picture to picture: who is followed, and a second look for those who were there a moment ago.

The landmark network itself tells where the person is to be looked for next, so the detector, which looks at the whole
picture, need run only now and then: for newcomers, and where somebody was lost. It also now and then passes over one of
two people, mostly one who turns the side to the camera beside somebody who faces it. Cut out alone, the same person is
found: so where somebody of late is missing, the place is cut out and looked at again. Where two people are known to be there and
one alone is found, what lies beside that one is cut out likewise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from vision_rom.handover import Floats
from vision_rom.pose.follow import places_and_sizes, without_duplicates
from vision_rom.pose.landmarker import People
from vision_rom.pose.pictures import Picture, part_of
from vision_rom.pose.regions import Region

_FORGOTTEN_AFTER_S: Final = 2.0
"""Who has not been seen for longer has left. Our own choice."""
_FOLLOWED_FOR_S: Final = 0.2
"""A region older than this is not looked in: at a walk of 1.5 m/s the person has moved 0.3 m, and the region's room around
them is about 0.2 m on each side. Our own choice."""
_SAME_WITHIN_SIZES: Final = 0.5
"""Somebody found nearer than this to where another was of late is that person, as a share of their size."""
_SAME_REGION: Final = 0.1
"""Two regions are of one person when their middles are nearer than this share of their sides, some 0.25 m. Smaller than
people can stand apart: a region too many costs time alone, since each person is given once."""
_NARROWEST_PX: Final = 2
"""A narrower part shows nobody"""
_ROOM: Final = 0.25
"""What is cut out beyond the person's last outline, as a share of its longer side"""


class Looks(Protocol):
    """What is asked of a :class:`~vision_rom.pose.landmarker.Landmarker`."""

    def look(self, picture: Picture) -> People:
        """Find everybody."""

    def regions(self, picture: Picture) -> list[Region]:
        """Return where people are."""

    def look_in(self, picture: Picture, regions: Sequence[Region]) -> People:
        """Find the people of these regions."""


@dataclass(frozen=True, slots=True)
class OfLate:
    """Somebody as last seen."""

    place_px: Floats
    """(2,) middle of the hips"""
    size_px: float
    outline_px: Floats
    """(4,) left, top, right, bottom"""
    seen_s: float
    region: Region | None


class PeopleOfLate:
    """Remembers where people were in the last pictures."""

    def __init__(self) -> None:
        """Begin with nobody."""
        self._known: list[OfLate] = []

    def known(self, time_s: float) -> tuple[OfLate, ...]:
        """Return who was seen in the last two seconds."""
        self._known = [one for one in self._known if time_s - one.seen_s <= _FORGOTTEN_AFTER_S]
        return tuple(self._known)

    def remember(self, people: People, time_s: float) -> None:
        """Take over where people are in a picture; pictures come in the order of their times."""
        places, sizes = places_and_sizes(people.landmarks_px)
        unseen = [one for one in self._known if not _near(one, places).any()]
        regions = people.regions or (None,) * len(people)
        found = [
            OfLate(place, float(size), _outline(points), time_s, region)
            for place, size, points, region in zip(places, sizes, people.landmarks_px, regions, strict=True)
        ]
        self._known = unseen + found


def look_for(
    landmarker: Looks, picture: Picture, known: Sequence[OfLate], *, time_s: float, afresh: bool, two: bool = False
) -> People:
    """Return everybody in a picture, each once.

    Parameters
    ----------
    landmarker, picture
        Who looks, and at what.
    known
        Who was seen before.
    time_s
        Of the picture.
    afresh
        Let the detector look for people wherever they are, and say anew where the known ones are.
    two
        There are two people, as where one shows movements and another copies them: where the detector sees one alone, it is to look
        for the other on both sides.

    """
    followed = [one.region for one in known if one.region is not None and time_s - one.seen_s <= _FOLLOWED_FOR_S]
    if afresh or not followed:
        detected = landmarker.regions(picture)
        passed_over = _elsewhere(followed, detected)
        people = _each_once(landmarker.look_in(picture, [*detected, *passed_over]))
    else:
        people = _each_once(landmarker.look_in(picture, followed))
        if len(people) < len(followed):
            here = [region for region in people.regions if region is not None]
            newly = _elsewhere(landmarker.regions(picture), here)
            people = _each_once(_joined(people, landmarker.look_in(picture, newly)))
    for one in known:
        if not _near(one, places_and_sizes(people.landmarks_px)[0]).any():
            again = _look_at(landmarker, picture, one)
            if len(again):
                people = _each_once(_joined(people, again))
    if two and afresh and len(people) == 1:
        people = _each_once(_joined(people, _look_beside(landmarker, picture, people)))
    return people


def _elsewhere(regions: Sequence[Region], others: Sequence[Region]) -> list[Region]:
    return [one for one in regions if not any(one.near(other, _SAME_REGION) for other in others)]


def _near(one: OfLate, places_px: Floats) -> NDArray[np.bool_]:
    return np.asarray(np.linalg.norm(places_px - one.place_px, axis=-1) < _SAME_WITHIN_SIZES * one.size_px)


def _outline(points: NDArray[np.float32]) -> Floats:
    return np.concatenate([points[:, :2].min(axis=0), points[:, :2].max(axis=0)]).astype(np.float64)


def _look_at(landmarker: Looks, picture: Picture, one: OfLate) -> People:
    """Look at what was cut out around a person, and return those of its people who stand where the person was."""
    width, height = picture.width_px, picture.height_px
    left, top, right, bottom = one.outline_px
    margin = _ROOM * max(right - left, bottom - top)
    x, y = (int(np.clip(at - margin, 0, limit)) for at, limit in ((left, width), (top, height)))
    to_x, to_y = (int(np.clip(at + margin, 0, limit)) for at, limit in ((right, width), (bottom, height)))
    found = _look_within(landmarker, picture, x, y, to_x, to_y)
    places, _ = places_and_sizes(found.landmarks_px)
    return found.pick(np.flatnonzero(_near(one, places)))


def _look_beside(landmarker: Looks, picture: Picture, alone: People) -> People:
    """Look to the left and to the right of the only person, and return whoever is there."""
    left, _, right, _ = _outline(alone.landmarks_px[0])
    from_x, to_x = (int(np.clip(at, 0, picture.width_px)) for at in (right, left))
    return _joined(
        _look_within(landmarker, picture, 0, 0, to_x, picture.height_px),
        _look_within(landmarker, picture, from_x, 0, picture.width_px, picture.height_px),
    )


def _look_within(landmarker: Looks, picture: Picture, x: int, y: int, to_x: int, to_y: int) -> People:
    """Return the people of a part of the picture, in the picture's pixels."""
    if to_x - x < _NARROWEST_PX or to_y - y < _NARROWEST_PX:
        return People.nobody()
    found = landmarker.look(part_of(picture, x, y, to_x, to_y))
    moved = found.landmarks_px + np.array([x, y, 0], np.float32)
    regions = tuple(one if one is None else replace(one, x_px=one.x_px + x, y_px=one.y_px + y) for one in found.regions)
    return replace(found, landmarks_px=moved, regions=regions)


def _each_once(people: People) -> People:
    return people.pick(without_duplicates(people.landmarks_px, people.visibility))


def _joined(first: People, second: People) -> People:
    return People(
        landmarks_px=np.concatenate([first.landmarks_px, second.landmarks_px]),
        visibility=np.concatenate([first.visibility, second.visibility]),
        world_m=np.concatenate([first.world_m, second.world_m]),
        regions=first.regions + second.regions,
    )
