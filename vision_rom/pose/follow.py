"""Which of the people in the pictures is the patient.

Everybody is followed at once, so that a person who crosses in front of the patient is claimed by a chain of sightings
of their own and not by the patient's. People are told apart by where the middle of their hips is and how large they
appear, never by their looks. Lengths are counted in trunks (shoulders' middle to hips' middle in the picture), so that
the limits hold near and far. The limits are our own choice, from walking at 1.5 m/s and a trunk of half a metre; no
source.
"""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from vision_rom.errors import UsageError
from vision_rom.handover import Bools, Floats, Ints, Landmark
from vision_rom.pose.settings import PersonAsked
from vision_rom.pose.who_follows import follower_of
from vision_rom.pose.who_moves import MOVES_TRUNKS, STILL_TRUNKS, furthest_trunks, move_in_step

AnyFloats = NDArray[np.floating[Any]]

_REACH_TRUNKS: Final = 0.35
_WALK_TRUNKS_S: Final = 3.0
_LONGEST_REACH_TRUNKS: Final = 1.5
_SIZE_CHANGE: Final = 0.3
_LONGEST_SIZE_CHANGE: Final = 0.5
"""How far a person may get from where they were expected (plus walking times the gap), and by how much the logarithm
of their size may change."""
_FRESH_S: Final = 0.5
"""A person not seen for longer is only picked up again by a sighting that nobody else claims."""
_STEADY_S: Final = 0.4
"""How long a person commonly keeps their speed."""
_LEAVES_TRUNKS_S: Final = 0.8
"""Who was last seen going at least so fast towards the picture's near edge has left, and whoever comes in later may be another"""
_SAME_PERSON_TRUNKS: Final = 0.3
_RIVAL_SHARE: Final = 0.7
_SHORTEST_CHAIN: Final = 3
_THERE_SHARE: Final = 0.5
"""Who moves beside somebody who does not is told from this share of the pictures on: passers-by swing their arms too."""

_TRUNK = (Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER, Landmark.LEFT_HIP, Landmark.RIGHT_HIP)
_TRUNK_EXCHANGED = (Landmark.RIGHT_SHOULDER, Landmark.LEFT_SHOULDER, Landmark.RIGHT_HIP, Landmark.LEFT_HIP)


@dataclass(frozen=True, slots=True)
class Following:
    """Which person of each picture is the patient."""

    choice: Ints
    """(n,) row in the picture's list of people; -1 where the patient was not found."""
    ambiguous: Bools
    """(n,) somebody else was so near and so alike in size that they could have been the patient."""
    remarks: tuple[str, ...]


@dataclass(slots=True)
class _Chain:
    """Sightings of one person; the expected place and size are those after the last of them."""

    place_px: Floats
    size_px: float
    seen_s: float
    speed_px_s: Floats
    pictures: array[int] = field(default_factory=lambda: array("q"))
    rows: array[int] = field(default_factory=lambda: array("q"))
    doubtful: bytearray = field(default_factory=bytearray)

    def expected_px(self, time_s: float) -> Floats:
        gap_s = time_s - self.seen_s
        return self.place_px + self.speed_px_s * gap_s if gap_s <= _FRESH_S else self.place_px

    def has_left(self, width_px: int) -> bool:
        """Tell whether the last sightings were those of somebody who walked out of the picture at its left or right edge."""
        speed = float(self.speed_px_s[0])
        if abs(speed) < _LEAVES_TRUNKS_S * self.size_px:
            return False
        ahead = float(self.place_px[0]) + speed * _FRESH_S
        return not 0.0 <= ahead < width_px

    def add(
        self, picture: int, row: int, time_s: float, place_px: Floats, size_px: float, *, doubtful: bool = False
    ) -> None:
        """Append a sighting; a doubtful one moves the expectation little, so that people keep their way as they cross."""
        gap_s = time_s - self.seen_s
        expected_px, trust = self.expected_px(time_s), 0.2 if doubtful else 1.0
        if 0 < gap_s <= _FRESH_S:
            off_px = place_px - expected_px
            self.speed_px_s = self.speed_px_s + trust * min(1.0, gap_s / _STEADY_S) * off_px / gap_s
        elif gap_s > _FRESH_S:
            self.speed_px_s = np.zeros(2)
        self.place_px = expected_px + trust * (place_px - expected_px)
        self.size_px += trust * 0.3 * (size_px - self.size_px)
        self.seen_s = time_s
        self.pictures.append(picture)
        self.rows.append(row)
        self.doubtful.append(doubtful)


def places_and_sizes(landmarks_px: AnyFloats) -> tuple[Floats, Floats]:
    """Return the hips' middle (k, 2) and the apparent size (k,) of people, both in pixels.

    The size is the trunk's length in the picture, or the shoulders' width where that is larger (bent towards the
    camera), and never 0.
    """
    shoulders = landmarks_px[:, [Landmark.LEFT_SHOULDER, Landmark.RIGHT_SHOULDER], :2]
    hips = landmarks_px[:, [Landmark.LEFT_HIP, Landmark.RIGHT_HIP], :2].mean(axis=1)
    trunk = np.linalg.norm(shoulders.mean(axis=1) - hips, axis=-1)
    width = np.linalg.norm(shoulders[:, 0] - shoulders[:, 1], axis=-1)
    return np.asarray(hips, np.float64), np.maximum(np.maximum(trunk, width), 1.0).astype(np.float64)


def without_duplicates(landmarks_px: AnyFloats, visibility: AnyFloats) -> Ints:
    """Return the rows that stay when detections of the same person are merged, (j,), in their order.

    Two detections are one person when their trunks' corners lie on average within 0.3 trunks of each other, left and
    right exchanged or not; the one with the higher mean visibility stays.
    """
    count = len(landmarks_px)
    if count < 2:
        return np.arange(count)
    _, sizes = places_and_sizes(landmarks_px)
    kept: list[int] = []
    for row in np.argsort(-visibility.mean(axis=1), kind="stable"):
        corners = landmarks_px[row, _TRUNK, :2]
        exchanged = landmarks_px[row, _TRUNK_EXCHANGED, :2]
        for other in kept:
            theirs = landmarks_px[other, _TRUNK, :2]
            apart = min(np.linalg.norm(theirs - mine, axis=-1).mean() for mine in (corners, exchanged))
            if apart < _SAME_PERSON_TRUNKS * max(sizes[row], sizes[other]):
                break
        else:
            kept.append(int(row))
    return np.sort(np.array(kept, np.int64))


def follow(
    time_s: Floats,
    places_px: Sequence[Floats],
    sizes_px: Sequence[Floats],
    *,
    width_px: int,
    height_px: int,
    person: PersonAsked = None,
    hands: Sequence[Floats] = (),
    arms: Sequence[Floats] = (),
) -> Following:
    """Follow one person through the pictures.

    Parameters
    ----------
    time_s
        (n,) strictly increasing.
    places_px, sizes_px
        For each picture the hips' middle (k, 2) and size (k,) of everybody in it, as from :func:`places_and_sizes`;
        k may differ from picture to picture and may be 0.
    width_px, height_px
        Of the picture.
    person
        None: the largest and most central person of the whole recording who is no reflection. N: the N-th from the left, from 1, in the
        first picture with so many people. (x, y) in pixels: the person nearest to that point in the first picture
        where somebody is within their own size of it. ``follower``: the one who copies what another shows; ``leader``:
        the other.
    hands
        For each picture how high everybody holds the hands, (k,); needed to tell who follows and who moves in step.
    arms
        For each picture everybody's :func:`vision_rom.pose.who_moves.arm_places`, (k, 4, 2); without them statues and pictures on
        the wall are not told.

    Raises
    ------
    UsageError
        The person asked for is never seen.

    """
    chains = _chains(time_s, places_px, sizes_px, width_px)
    nobody = Following(np.full(len(time_s), -1, np.int64), np.zeros(len(time_s), np.bool_), ())
    if not chains:
        return nobody
    lasting = [chain for chain in chains if len(chain.pictures) >= _SHORTEST_CHAIN] or chains
    scores = np.array([_prominence(chain, places_px, sizes_px, width_px, height_px) for chain in lasting])
    remarks: list[str] = []
    if person is None:
        patient, remarks = _most_prominent(lasting, scores, time_s, hands, arms)
    elif isinstance(person, str):
        patient = _by_role(person, lasting, time_s, hands, scores)
    elif isinstance(person, int):
        patient = _nth_from_left(person, lasting, places_px)
    else:
        patient = _at_point(person, lasting, places_px, sizes_px)
    choice, ambiguous = nobody.choice, nobody.ambiguous
    choice[patient.pictures] = patient.rows
    ambiguous[patient.pictures] = np.frombuffer(patient.doubtful, np.bool_)
    remarks += _remarks(time_s, patient, lasting, ambiguous)
    return Following(choice, ambiguous, tuple(remarks))


def _chains(time_s: Floats, places_px: Sequence[Floats], sizes_px: Sequence[Floats], width_px: int) -> list[_Chain]:
    # slow to load, and needed only after the pictures were looked at
    from scipy.optimize import linear_sum_assignment

    chains: list[_Chain] = []
    for picture, (now_s, places, sizes) in enumerate(zip(time_s, places_px, sizes_px, strict=True)):
        free = list(range(len(sizes)))
        fresh = [chain for chain in chains if now_s - chain.seen_s <= _FRESH_S]
        lost = [chain for chain in chains if now_s - chain.seen_s > _FRESH_S and not chain.has_left(width_px)]
        for group in (fresh, lost):
            cost = _costs(group, float(now_s), places[free], sizes[free])
            # a person beyond reach costs more than leaving everybody else unassigned could
            pairs = zip(*linear_sum_assignment(np.where(np.isfinite(cost), cost, 1e6)), strict=True)
            taken = []
            for which, column in pairs:
                if not np.isfinite(cost[which, column]):
                    continue
                row = free[column]
                taken.append(row)
                others_reach = np.isfinite(np.delete(cost[:, column], which)).any()
                reaches_others = np.isfinite(np.delete(cost[which], column)).any()
                doubtful = bool(others_reach or reaches_others)
                group[which].add(picture, row, float(now_s), places[row], float(sizes[row]), doubtful=doubtful)
            free = [row for row in free if row not in taken]
        for row in free:
            newcomer = _Chain(places[row], float(sizes[row]), float(now_s), np.zeros(2))
            newcomer.add(picture, row, float(now_s), places[row], float(sizes[row]))
            chains.append(newcomer)
    return chains


def _costs(chains: list[_Chain], now_s: float, places: Floats, sizes: Floats) -> Floats:
    """Return (chains, people) how badly each person continues each chain; infinite where beyond reach."""
    cost = np.full((len(chains), len(sizes)), np.inf)
    for which, chain in enumerate(chains):
        gap_s = now_s - chain.seen_s
        reach = min(_REACH_TRUNKS + _WALK_TRUNKS_S * gap_s, _LONGEST_REACH_TRUNKS)
        change = min(_SIZE_CHANGE + 0.5 * gap_s, _LONGEST_SIZE_CHANGE)
        away = np.linalg.norm(places - chain.expected_px(now_s), axis=-1) / chain.size_px
        grown = np.abs(np.log(sizes / chain.size_px))
        near = (away <= reach) & (grown <= change)
        cost[which, near] = (away / reach + grown / change)[near]
    return cost


def _prominence(
    chain: _Chain, places_px: Sequence[Floats], sizes_px: Sequence[Floats], width_px: int, height_px: int
) -> float:
    """Size times centrality, summed over the pictures that show the person."""
    total = 0.0
    for picture, row in zip(chain.pictures, chain.rows, strict=True):
        off_centre = min(abs(2.0 * places_px[picture][row, 0] / width_px - 1.0), 1.0)
        total += float(sizes_px[picture][row]) / height_px * (1.0 - 0.7 * off_centre)
    return total / len(places_px)


def _most_prominent(
    chains: list[_Chain], scores: Floats, time_s: Floats, hands: Sequence[Floats], arms: Sequence[Floats]
) -> tuple[_Chain, list[str]]:
    """Return the largest and most central person who is no reflection, with what the user should know."""
    remarks = []
    best = int(np.argmax(scores))
    moved = np.array([furthest_trunks(_own(chain, arms)) if arms else np.inf for chain in chains])
    there = np.array([len(chain.pictures) >= _THERE_SHARE * len(time_s) for chain in chains])
    if moved[best] < STILL_TRUNKS and (there & (moved >= MOVES_TRUNKS) & np.isfinite(moved)).any():
        # the other one is not taken instead: a patient who cannot raise the arm keeps still beside an examiner who shows how
        remarks.append(
            "The largest and most central figure was followed and kept its arms still, while another person moved: where it is a "
            "statue, a picture on the wall or somebody who looks on, name the patient with --person."
        )
    twins = [
        which
        for which, chain in enumerate(chains)
        if hands and which != best and _in_step(chains[best], chain, time_s, hands)
    ]
    if twins:
        # a reflection is further away than the one whom it shows
        best = max([best, *twins], key=lambda which: chains[which].size_px)
        remarks.append(
            "Two people moved exactly together, as in a mirror; the larger one was followed. Cover the mirror, and look at the "
            "picture of the result whether it shows the patient and not the reflection, which exchanges left and right."
        )
    rivals = scores >= _RIVAL_SHARE * scores[best]
    rivals[[best, *twins]] = False
    if rivals.any():
        remarks.append(
            "More than one person could be the patient; the largest and most central one was followed. "
            "Name the patient with --person if that was not the right one."
        )
    return chains[best], remarks


def _own(chain: _Chain, values: Sequence[Floats]) -> Floats:
    """Return what is known of one person in each picture that shows them."""
    own = np.empty((len(chain.pictures), *values[chain.pictures[0]].shape[1:]))
    for place, (picture, row) in enumerate(zip(chain.pictures, chain.rows, strict=True)):
        own[place] = values[picture][row]
    return own


def _in_step(one: _Chain, other: _Chain, time_s: Floats, hands: Sequence[Floats]) -> bool:
    return move_in_step(time_s[one.pictures], _own(one, hands), time_s[other.pictures], _own(other, hands))


def _nth_from_left(number: int, chains: list[_Chain], places_px: Sequence[Floats]) -> _Chain:
    present = np.zeros(len(places_px), np.int64)
    for chain in chains:
        present[chain.pictures] += 1
    most = int(present.max())
    if most >= number:
        first = int((present >= number).argmax())
        here = [
            (float(places_px[first][chain.rows[chain.pictures.index(first)], 0]), chain)
            for chain in chains
            if first in chain.pictures
        ]
        return sorted(here, key=lambda seen: seen[0])[number - 1][1]
    people = "one person was" if most == 1 else f"{most} people were"
    raise UsageError(f"Person {number} was asked for, but at most {people} seen at the same time; give a lower number.")


def _by_role(role: str, chains: list[_Chain], time_s: Floats, hands: Sequence[Floats], scores: Floats) -> _Chain:
    # the two who are seen most: passers-by copy nobody
    two = [chains[int(which)] for which in np.argsort(-scores)[:2]]
    times = [time_s[chain.pictures] for chain in two]
    heights = [_own(chain, hands) for chain in two]
    who = follower_of(times, heights) if len(two) == 2 else None
    if who is None:
        raise UsageError(
            "Nobody could be told to copy somebody else; name the patient by number from the left, as in --person 1."
        )
    return two[who] if role == "follower" else two[1 - who]


def _at_point(
    point_px: tuple[float, float], chains: list[_Chain], places_px: Sequence[Floats], sizes_px: Sequence[Floats]
) -> _Chain:
    found: list[tuple[int, float, _Chain]] = []
    for chain in chains:
        for picture, row in zip(chain.pictures, chain.rows, strict=True):
            # to the upright line from the hips to the shoulders, where a person points
            hips, size = places_px[picture][row], float(sizes_px[picture][row])
            on_line = np.array([hips[0], np.clip(point_px[1], hips[1] - size, hips[1])])
            away = float(np.linalg.norm(on_line - point_px)) / size
            if away <= 1.0:
                found.append((picture, away, chain))
                break
    if not found:
        raise UsageError(
            f"Nobody was seen near the point {point_px[0]:g}, {point_px[1]:g}; give a point in pixels on the patient's "
            "trunk, counted from the picture's upper left corner."
        )
    first = min(picture for picture, _, _ in found)
    return min((seen for seen in found if seen[0] == first), key=lambda seen: seen[1])[2]


def _remarks(time_s: Floats, patient: _Chain, chains: list[_Chain], ambiguous: Bools) -> list[str]:
    remarks = []
    if ambiguous.any():
        when = time_s[np.flatnonzero(ambiguous)]
        remarks.append(
            f"Somebody else came so near the patient between {when[0]:.1f} and {when[-1]:.1f} s that the two could have "
            "been taken for each other; look at the picture of the result, or film the patient alone."
        )
    own = np.zeros(len(time_s), np.bool_)
    own[patient.pictures] = True
    later = [chain for chain in chains if chain is not patient and not own[chain.pictures].any()]
    if later:
        spans = ", ".join(f"{time_s[one.pictures[0]]:.1f} to {time_s[one.pictures[-1]]:.1f} s" for one in later[:3])
        remarks.append(
            f"While the patient was not seen, a person stood elsewhere or at another distance ({spans}) and was not "
            "followed, since it may be somebody else."
        )
    return remarks
