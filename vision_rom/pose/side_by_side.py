"""Pictures looked at side by side on all cores, with the same outcome on any number of them.

Where a person is looked for in one picture is known from the picture four before it, never from a nearer one. So four
pictures are under way at a time, and what is found depends neither on the number of cores nor on which is faster.
Meanwhile the calling thread decodes the next picture; on a single core it does both in turn. Memory holds those few pictures and no more.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import dataclass
from queue import SimpleQueue
from typing import Any, Final, TypeVar

from vision_rom.handover import Frame, StoredFrame
from vision_rom.pose.landmarker import Landmarker, People
from vision_rom.pose.lost import OfLate, PeopleOfLate, look_for
from vision_rom.pose.networks import read_networks
from vision_rom.pose.pictures import picture_of
from vision_rom.pose.settings import PoseSettings

AnyFrame = Frame | StoredFrame
_Result = TypeVar("_Result")

UNDER_WAY: Final = 4
"""Pictures between the one a region comes from and the one it is used in. A person hardly moves in 0.13 s, and four suit up
to four cores; more than four networks side by side wait for memory more than for cores."""
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

    def watch(self, frames: Iterable[AnyFrame]) -> Iterator[tuple[AnyFrame, People]]:
        """Yield each picture with everybody in it, in their order; times must increase."""
        memory = PeopleOfLate()
        afresh_from_s = -float("inf")
        under_way: deque[tuple[AnyFrame, Future[People]]] = deque()
        # leaving early, as after Ctrl-C, waits for the few pictures under way and for nothing else
        with self._pool() as pool:
            for frame in frames:
                if len(under_way) >= UNDER_WAY:
                    yield self._taken(under_way, memory)
                afresh = frame.time_s >= afresh_from_s
                if afresh:
                    afresh_from_s = frame.time_s + AFRESH_EVERY_S - _ROUNDING_S
                known = memory.known(frame.time_s)
                under_way.append((frame, pool.submit(self._look, frame, known, afresh)))
            while under_way:
                yield self._taken(under_way, memory)

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

    @staticmethod
    def _taken(under_way: deque[tuple[AnyFrame, Future[People]]], memory: PeopleOfLate) -> tuple[AnyFrame, People]:
        frame, future = under_way.popleft()
        people = future.result()
        memory.remember(people, frame.time_s)
        return frame, people
