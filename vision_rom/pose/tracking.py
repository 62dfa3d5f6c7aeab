"""Pictures in, the patient's landmarks over time out."""

from __future__ import annotations

import math
from array import array
from collections.abc import Callable, Iterable, Iterator
from typing import Final

import numpy as np

from vision_rom.handover import Floats, Ints, Landmark, PoseTrack
from vision_rom.pose.between import AnyFrame, filled, neighbours
from vision_rom.pose.follow import follow, places_and_sizes
from vision_rom.pose.inference import Floats32
from vision_rom.pose.landmarker import People, pose_model
from vision_rom.pose.pictures import picture_of
from vision_rom.pose.settings import PoseSettings
from vision_rom.pose.side_by_side import Lookout
from vision_rom.pose.sides import keep_sides
from vision_rom.pose.who_follows import hand_height
from vision_rom.pose.who_moves import arm_places

_NUMBERS: Final = 7 * len(Landmark)
"""Of one person: pixels, visibility, metres"""

OnFrame = Callable[[AnyFrame, People], None]


def track_patient(
    frames: Iterable[AnyFrame],
    *,
    width_px: int,
    height_px: int,
    settings: PoseSettings | None = None,
    on_frame: OnFrame | None = None,
) -> PoseTrack:
    """Find the patient in every picture and keep left and right apart over time. Nothing is smoothed.

    Where hardly anything moved between two pictures 0.1 s apart, those in between are not looked at: what they would show
    is put on a straight line between the two (:mod:`vision_rom.pose.between`).

    Parameters
    ----------
    frames
        Pictures in the order of their times; read once, one at a time. A picture whose time does not come after that
        of the one before it is passed over.
    width_px, height_px
        Of every picture.
    settings
        Network, person, thresholds; None takes the defaults.
    on_frame
        Called with each picture that was looked at, and everybody found in it.

    Returns
    -------
    PoseTrack
        One row for each picture; NaN rows where the patient was not found, which may be all of them.

    Raises
    ------
    UsageError
        ``settings.person`` is nowhere to be seen.
    InstallationError
        LiteRT or a network's file is missing or altered.

    """
    settings = settings or PoseSettings()
    times_s: list[float] = []
    indices: list[int] = []
    looked_at: list[bool] = []
    seen = _Sightings()
    places: list[Floats] = []
    sizes: list[Floats] = []
    hands: list[Floats] = []
    arms: list[Floats] = []
    brightness: list[float] = []
    model = pose_model(settings)
    for frame, people in Lookout(settings).watch(_increasing(frames, width_px, height_px)):
        times_s.append(frame.time_s)
        indices.append(frame.index)
        brightness.append(picture_of(frame).brightness())
        looked_at.append(people is not None)
        if people is None:
            continue
        seen.add(people)
        here, large = places_and_sizes(people.landmarks_px)
        places.append(here)
        sizes.append(large)
        hands.append(hand_height(people.landmarks_px))
        arms.append(arm_places(people.landmarks_px, large))
        if on_frame is not None:
            on_frame(frame, people)
    time_s, looked = np.array(times_s, np.float64), np.array(looked_at, np.bool_)
    following = follow(
        time_s[looked],
        places,
        sizes,
        width_px=width_px,
        height_px=height_px,
        person=settings.person,
        hands=hands,
        arms=arms,
    )
    del places, sizes, hands, arms
    sided = keep_sides(time_s[looked], *seen.of(following.choice))
    before, after = neighbours(looked)
    return PoseTrack(
        time_s=time_s,
        frame_index=np.array(indices, np.int64),
        landmarks_px=filled(time_s, looked, sided.landmarks_px),
        visibility=filled(time_s, looked, sided.visibility),
        world_m=filled(time_s, looked, sided.world_m),
        width_px=width_px,
        height_px=height_px,
        model=model,
        people=seen.counts[before],
        ambiguous=following.ambiguous[before] | following.ambiguous[after],
        exchanged=sided.exchanged[before],
        brightness=np.array(brightness, np.float64),
        between=~looked,
        remarks=(*following.remarks, *sided.remarks),
    )


class _Sightings:
    """Everybody in every picture, in single precision and without an object for each: an hour has a hundred thousand pictures."""

    def __init__(self) -> None:
        self._numbers = array("f")
        self._counts = array("q")

    @property
    def counts(self) -> Ints:
        """(n,) people in each picture."""
        return np.array(self._counts, np.int64)

    def add(self, people: People) -> None:
        """Append a picture."""
        self._counts.append(len(people))
        rows = np.concatenate(
            [one.reshape(len(people), math.prod(one.shape[1:])) for one in _fields_of(people)], axis=1
        )
        self._numbers.frombytes(rows.astype(np.float32, copy=False).tobytes())

    def of(self, choice: Ints) -> tuple[Floats32, Floats32, Floats32]:
        """Return landmarks in pixels, visibility and metres of one person of each picture, (n, 33, ...); NaN where that is -1.

        Everybody else is forgotten.
        """
        points = len(Landmark)
        first = np.cumsum(self.counts) - self.counts
        taken = np.flatnonzero(choice >= 0)
        everybody = np.frombuffer(self._numbers, np.float32).reshape(-1, _NUMBERS)
        found = np.full((len(choice), _NUMBERS), np.nan, np.float32)
        found[taken] = everybody[first[taken] + choice[taken]]
        del everybody
        self._numbers = array("f")
        pixels, sure, metres = np.split(found, (3 * points, 4 * points), axis=1)
        return pixels.reshape(-1, points, 3), sure, metres.reshape(-1, points, 3)


def _fields_of(people: People) -> tuple[Floats32, Floats32, Floats32]:
    return people.landmarks_px, people.visibility, people.world_m


def _increasing(frames: Iterable[AnyFrame], width_px: int, height_px: int) -> Iterator[AnyFrame]:
    """Pass over pictures whose time does not come after that of the one before."""
    last_s = -float("inf")
    for frame in frames:
        picture = picture_of(frame)
        if (picture.width_px, picture.height_px) != (width_px, height_px):
            raise ValueError(
                f"picture {frame.index} is {picture.width_px} x {picture.height_px} px, not {width_px} x {height_px}"
            )
        if frame.time_s > last_s:
            last_s = frame.time_s
            yield frame
