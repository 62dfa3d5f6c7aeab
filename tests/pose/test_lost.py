"""The second look at where somebody was, with a landmarker that misses people on purpose."""

from __future__ import annotations

import numpy as np
import pytest

from vision_rom.handover import Frame, Landmark
from vision_rom.pose.landmarker import People
from vision_rom.pose.lost import PeopleOfLate

WIDTH, HEIGHT = 640, 480


def person_at(x: float) -> np.ndarray:
    points = np.zeros((len(Landmark), 3), np.float32)
    points[:, 0] = x + np.linspace(-40, 40, len(Landmark))
    points[:, 1] = np.linspace(80, 400, len(Landmark))
    for part, y, half in (("shoulder", 140, 30), ("hip", 240, 20)):
        for side, sign in (("left", 1), ("right", -1)):
            points[Landmark.of(side, part)] = x + sign * half, y, 0
    return points


class ForgetfulLandmarker:
    """Finds those who stand in what it is shown; in whole pictures not those it was told to miss."""

    def __init__(self, people: dict[str, float]) -> None:
        self.people, self.missed, self.looks = people, set(), 0

    def look(self, rgb):
        self.looks += 1
        # the picture's own columns tell which part of it this is
        first = int(rgb[0, 0, 0]) + 256 * int(rgb[0, 0, 1])
        width = rgb.shape[1]
        top = int(rgb[0, 0, 2])
        whole = width == WIDTH
        seen = [
            person_at(x) - np.array([first, top, 0], np.float32)
            for name, x in self.people.items()
            if first <= x < first + width and not (whole and name in self.missed)
        ]
        if not seen:
            return People.nobody()
        points = np.stack(seen)
        return People(points, np.ones(points.shape[:2], np.float32), points)


def frame(index: int) -> Frame:
    columns = np.arange(WIDTH)
    rgb = np.zeros((HEIGHT, WIDTH, 3), np.uint8)
    rgb[..., 0], rgb[..., 1], rgb[..., 2] = columns % 256, columns // 256, np.arange(HEIGHT)[:, None] % 256
    return Frame(index, index / 15, rgb)


def places(people: People) -> list[float]:
    return sorted(float(one[[Landmark.LEFT_HIP, Landmark.RIGHT_HIP], 0].mean()) for one in people.landmarks_px)


def test_somebody_who_is_passed_over_is_found_again_at_the_same_place():
    landmarker, memory = ForgetfulLandmarker({"patient": 200.0, "examiner": 420.0}), PeopleOfLate()
    assert places(memory.look(landmarker, frame(0))) == pytest.approx([200, 420])
    landmarker.missed = {"patient"}
    for index in range(1, 90):
        assert places(memory.look(landmarker, frame(index))) == pytest.approx([200, 420], abs=0.1)


def test_nobody_is_looked_for_while_everybody_is_found():
    landmarker, memory = ForgetfulLandmarker({"patient": 200.0}), PeopleOfLate()
    for index in range(10):
        memory.look(landmarker, frame(index))
    assert landmarker.looks == 10


def test_who_has_left_is_forgotten():
    landmarker, memory = ForgetfulLandmarker({"patient": 200.0, "examiner": 420.0}), PeopleOfLate()
    memory.look(landmarker, frame(0))
    del landmarker.people["examiner"]
    for index in range(1, 60):
        assert len(memory.look(landmarker, frame(index))) == 1
    before = landmarker.looks
    memory.look(landmarker, frame(60))
    assert landmarker.looks == before + 1


def test_each_person_is_given_once():
    landmarker, memory = ForgetfulLandmarker({"patient": 200.0, "beside": 245.0}), PeopleOfLate()
    memory.look(landmarker, frame(0))
    landmarker.missed = {"beside"}
    assert len(memory.look(landmarker, frame(1))) <= 2
