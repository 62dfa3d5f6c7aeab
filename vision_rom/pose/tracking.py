"""Pictures in, the patient's landmarks over time out."""

from __future__ import annotations

import math
from array import array
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any, BinaryIO, Final, overload

import numpy as np
from numpy.typing import NDArray

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
from vision_rom.spool import blocks, empty, put_away, temporary_file

_NUMBERS: Final = 7 * len(Landmark)
"""Of one person: pixels, visibility, metres"""
_HELD: Final = 1 << 20
"""So many numbers are held before they are written to the disk: some 1100 sightings"""

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
    times_s, indices, brightness = array("d"), array("q"), array("d")
    looked_at = array("b")
    seen = _Sightings()
    places, sizes, hands, arms = _PerPerson(2), _PerPerson(), _PerPerson(), _PerPerson(4, 2)
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
        places.add(here)
        sizes.add(large)
        hands.add(hand_height(people.landmarks_px))
        arms.add(arm_places(people.landmarks_px, large))
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
    track = PoseTrack(
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
    return put_away(track)


class _PerPerson(Sequence[Floats]):
    """An array (k, ...) for each picture, k people, in single precision (as networks give numbers) and without an object for each."""

    def __init__(self, *shape: int) -> None:
        self._shape = shape
        self._size = math.prod(shape)
        self._numbers = array("f")
        self._ends = array("q", [0])

    def add(self, values: NDArray[np.floating[Any]]) -> None:
        """Append a picture."""
        self._numbers.frombytes(values.astype(np.float32, copy=False).tobytes())
        self._ends.append(self._ends[-1] + len(values))

    def __len__(self) -> int:
        return len(self._ends) - 1

    @overload
    def __getitem__(self, picture: int) -> Floats: ...

    @overload
    def __getitem__(self, picture: slice) -> Sequence[Floats]: ...

    def __getitem__(self, picture: int | slice) -> Floats | Sequence[Floats]:
        if isinstance(picture, slice):
            return [self[one] for one in range(*picture.indices(len(self)))]
        if not 0 <= picture < len(self):
            raise IndexError(picture)
        first, end = self._ends[picture], self._ends[picture + 1]
        numbers = self._numbers[first * self._size : end * self._size]
        return np.array(numbers, np.float64).reshape(end - first, *self._shape)


class _Sightings:
    """Everybody in every picture, in single precision and on the disk: an hour has a hundred thousand pictures."""

    def __init__(self) -> None:
        self._numbers = array("f")
        """What is not on the disk yet"""
        self._counts = array("q")
        self._file: BinaryIO | None = None
        self._written = 0
        """Numbers on the disk"""
        self._writable = True

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
        if len(self._numbers) >= _HELD and self._writable:
            self._write()

    def _write(self) -> None:
        content = memoryview(self._numbers).cast("B")
        try:
            self._file = self._file or temporary_file()
            self._file.seek(4 * self._written)
            done = 0
            while done < len(content):
                done += self._file.write(content[done:])
        except OSError:
            # without room on the disk the rest stays in memory
            self._writable = False
            return
        self._written += len(self._numbers)
        self._numbers = array("f")

    def _between(self, first: int, end: int) -> Floats32:
        """Return sightings (k, _NUMBERS), counted over all people."""
        first, end = first * _NUMBERS, end * _NUMBERS
        parts = []
        if self._file is not None and first < self._written:
            self._file.seek(4 * first)
            wanted = 4 * (min(end, self._written) - first)
            content = bytearray()
            while len(content) < wanted:
                part = self._file.read(wanted - len(content))
                if not part:
                    raise OSError("the temporary file of landmarks is shorter than what was written into it")
                content += part
            parts.append(np.frombuffer(content, np.float32))
        if end > self._written:
            held = self._numbers[max(first - self._written, 0) : end - self._written]
            parts.append(np.frombuffer(held, np.float32))
        return np.concatenate(parts or [np.zeros(0, np.float32)]).reshape(-1, _NUMBERS)

    def of(self, choice: Ints) -> tuple[Floats32, Floats32, Floats32]:
        """Return landmarks in pixels, visibility and metres of one person of each picture, (n, 33, ...); NaN where that is -1.

        Everybody else is forgotten.
        """
        points = len(Landmark)
        ends = np.cumsum(self.counts)
        pixels, sure, metres = (
            empty((len(choice), points, 3), np.float32),
            empty((len(choice), points), np.float32),
            empty((len(choice), points, 3), np.float32),
        )
        for rows in blocks(len(choice)):
            starts = ends[rows] - self.counts[rows]
            everybody = self._between(int(starts[0]), int(ends[rows][-1]))
            chosen = choice[rows]
            taken = chosen >= 0
            found = np.full((len(chosen), _NUMBERS), np.nan, np.float32)
            found[taken] = everybody[(starts - starts[0] + chosen)[taken]]
            pixels[rows] = found[:, : 3 * points].reshape(-1, points, 3)
            sure[rows] = found[:, 3 * points : 4 * points]
            metres[rows] = found[:, 4 * points :].reshape(-1, points, 3)
        if self._file is not None:
            self._file.close()
        self._file, self._written, self._numbers = None, 0, array("f")
        return pixels, sure, metres


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
