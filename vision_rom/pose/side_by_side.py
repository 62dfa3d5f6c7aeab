"""Pictures looked at side by side on all cores, with the same outcome on any number of them.

About ten pictures a second are looked at first, each where the one before it told people to be; those in between follow, once it is known
that somebody moved (:mod:`~vision_rom.pose.between`). Of a recording with so few pictures that none lies in between, four are under way
at a time, and where a person is looked for is known from the picture four before. What a picture's finding rests on is thus told by the
times of pictures alone, and depends neither on the number of cores nor on which is faster. Meanwhile the calling thread decodes the next
pictures; on a single core it does both in turn. Memory holds those few pictures and no more.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import dataclass
from queue import SimpleQueue
from typing import Any, Final, TypeVar

from vision_rom.pose.between import AnyFrame, hardly_moved, in_steps
from vision_rom.pose.landmarker import Landmarker, People
from vision_rom.pose.lost import OfLate, PeopleOfLate, look_for
from vision_rom.pose.networks import read_networks
from vision_rom.pose.pictures import picture_of
from vision_rom.pose.settings import PoseSettings

_Result = TypeVar("_Result")

UNDER_WAY: Final = 4
"""Pictures between the one a region comes from and the one it is used in. A person hardly moves in 0.13 s, and four suit up
to four cores; more than four networks side by side wait for memory more than for cores."""
MOST_HELD: Final = 5
"""Pictures that may still be looked at while the next ones are decoded, beside the newest step's: enough that nobody waits for them"""
AFRESH_EVERY_S: Final = 0.3
"""How often the detector looks for newcomers and says anew where the known people are: 9 pictures at 30 a second, which is
no multiple of the four, so that every chain of regions is renewed in turn."""
_ROUNDING_S: Final = 0.001

_threads_allowed: int | None = None


def use_threads(count: int | None) -> None:
    """Keep this process to so many threads of networks, as where several processes share the cores; None: all cores.

    With one, networks run in the calling thread.
    """
    global _threads_allowed
    _threads_allowed = count


def threads() -> int:
    """Return how many pictures are looked at side by side."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return max(1, min(_threads_allowed or cores, UNDER_WAY))


class _AtOnce(Executor):
    """Does in the calling thread what it is asked for."""

    def submit(self, fn: Callable[..., _Result], /, *args: Any, **kwargs: Any) -> Future[_Result]:
        """Return a future that is done."""
        done: Future[_Result] = Future()
        done.set_result(fn(*args, **kwargs))
        return done


@dataclass(frozen=True, slots=True)
class Effort:
    """How often the networks ran."""

    detector_runs: int
    landmark_runs: int


class Lookout:
    """Finds everybody in the pictures of one recording. Use it once."""

    def __init__(self, settings: PoseSettings) -> None:
        """Load the networks once for each thread."""
        files = read_networks(settings.model)
        self._two = isinstance(settings.person, str)
        self._landmarkers = [Landmarker(settings, files) for _ in range(threads())]
        self._free: SimpleQueue[Landmarker] = SimpleQueue()
        for one in self._landmarkers:
            self._free.put(one)

    @property
    def effort(self) -> Effort:
        """How often the networks ran up to now."""
        return Effort(
            sum(one.detector_runs for one in self._landmarkers), sum(one.landmark_runs for one in self._landmarkers)
        )

    def watch(self, frames: Iterable[AnyFrame]) -> Iterator[tuple[AnyFrame, People | None]]:
        """Yield each picture with everybody in it, in their order; times must increase.

        None: hardly anything moved, and the picture was not looked at. The first and the last one always are.
        """
        afresh_from_s = -float("inf")
        # leaving early, as after Ctrl-C, waits for the few pictures under way and for nothing else
        with self._pool() as pool:
            line = _Line(lambda frame, known, afresh: pool.submit(self._look, frame, known, afresh))
            for *between, frame in in_steps(frames):
                line.settle(0 if between or line.has_between else UNDER_WAY - 1)
                afresh = frame.time_s >= afresh_from_s
                if afresh:
                    afresh_from_s = frame.time_s + AFRESH_EVERY_S - _ROUNDING_S
                line.look(between, frame, afresh)
                yield from line.handed_out(MOST_HELD)
            line.settle(0)
            line.look_between()
            yield from line.handed_out(0)

    def _pool(self) -> Executor:
        count = len(self._landmarkers)
        # beside the thread that decodes, even a single one would want a second core
        return ThreadPoolExecutor(count, thread_name_prefix="look") if count > 1 else _AtOnce()

    def _look(self, frame: AnyFrame, known: tuple[OfLate, ...], afresh: bool) -> People:
        landmarker = self._free.get()
        try:
            return look_for(landmarker, picture_of(frame), known, time_s=frame.time_s, afresh=afresh, two=self._two)
        finally:
            self._free.put(landmarker)


@dataclass(frozen=True, slots=True)
class _Step:
    """A picture that is being looked at, and those before it that wait for what it shows."""

    between: list[AnyFrame]
    frame: AnyFrame
    people: Future[People]


@dataclass(slots=True)
class _Sight:
    """A picture that is to be handed out."""

    frame: AnyFrame
    people: Future[People] | None = None
    """None where it is not looked at"""


class _Line:
    """The pictures that are held, in their order: first those that only have to be found, then those that others wait for."""

    def __init__(self, look: Callable[[AnyFrame, tuple[OfLate, ...], bool], Future[People]]) -> None:
        self._look = look
        self._memory = PeopleOfLate()
        self._steps: deque[_Step] = deque()
        self._before = People.nobody()
        self._sights: deque[_Sight] = deque()
        self._moved: list[_Sight] = []

    @property
    def has_between(self) -> bool:
        """Whether pictures wait for what another shows."""
        return any(step.between for step in self._steps)

    def settle(self, most: int) -> None:
        """Wait for what was looked at until so many steps are left."""
        while len(self._steps) > most:
            step = self._steps.popleft()
            people = step.people.result()
            between = [_Sight(frame) for frame in step.between]
            if between and not hardly_moved(self._before, people):
                self._moved += between
            self._sights += [*between, _Sight(step.frame, step.people)]
            self._memory.remember(people, step.frame.time_s)
            self._before = people

    def look(self, between: list[AnyFrame], frame: AnyFrame, afresh: bool) -> None:
        """Look at a picture, keep those before it, and after it look at those in which something moved."""
        # first what the next step waits for
        people = self._look(frame, self._memory.known(frame.time_s), afresh)
        self._steps.append(_Step(between, frame, people))
        self.look_between()

    def look_between(self) -> None:
        """Look at those pictures of settled steps in which something moved."""
        for one in self._moved:
            one.people = self._look(one.frame, self._memory.known(one.frame.time_s), False)
        self._moved.clear()

    def handed_out(self, most: int) -> Iterator[tuple[AnyFrame, People | None]]:
        """Yield what is found, and wait for more until at most so many pictures are left."""
        while self._sights:
            people = self._sights[0].people
            if people is not None and len(self._sights) <= most and not people.done():
                return
            yield self._sights.popleft().frame, None if people is None else people.result()
