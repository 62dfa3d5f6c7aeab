"""Following people from picture to picture, with a landmarker that misses people on purpose and counts what it is asked."""

from __future__ import annotations

import numpy as np
import pytest

from vision_rom.handover import Landmark
from vision_rom.pose.landmarker import People
from vision_rom.pose.lost import PeopleOfLate, look_for
from vision_rom.pose.pictures import RgbPicture
from vision_rom.pose.regions import Region

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
    """Finds those who stand in what it is shown; its detector does not find in whole pictures those it is told to miss."""

    def __init__(self, people: dict[str, float]) -> None:
        self.people, self.missed = people, set()
        self.detections = self.looks = 0

    def look(self, picture):
        return self.look_in(picture, self.regions(picture))

    def regions(self, picture):
        self.detections += 1
        left, top, whole = self._place(picture)
        return [
            Region(x - left, 240.0 - top, 400.0, 0.0)
            for name, x in self.people.items()
            if left <= x < left + picture.width_px and not (whole and name in self.missed)
        ]

    def look_in(self, picture, regions):
        left, top, _ = self._place(picture)
        found = []
        for region in regions:
            self.looks += 1
            # the network sees whoever is nearest to the middle of its region, if anybody is
            x = min(self.people.values(), key=lambda at: abs(at - left - region.x_px), default=None)
            if x is not None and abs(x - left - region.x_px) < 100:
                found.append(
                    (person_at(x) - np.array([left, top, 0], np.float32), Region(x - left, 240.0 - top, 400.0, 0.0))
                )
        if not found:
            return People.nobody()
        points = np.stack([one for one, _ in found])
        return People(points, np.ones(points.shape[:2], np.float32), points, tuple(region for _, region in found))

    @staticmethod
    def _place(picture):
        """The picture's own columns tell which part of it this is."""
        corner = picture.rgb[0, 0]
        return int(corner[0]) + 256 * int(corner[1]), int(corner[2]), picture.width_px == WIDTH


def picture() -> RgbPicture:
    columns = np.arange(WIDTH)
    rgb = np.zeros((HEIGHT, WIDTH, 3), np.uint8)
    rgb[..., 0], rgb[..., 1], rgb[..., 2] = columns % 256, columns // 256, np.arange(HEIGHT)[:, None] % 256
    return RgbPicture(rgb)


class Watching:
    """Pictures one after the other, each known from the one before."""

    def __init__(self, landmarker, rate_hz=15.0):
        self.landmarker, self.memory, self.step_s, self.count = landmarker, PeopleOfLate(), 1 / rate_hz, 0

    def next(self, *, afresh=False, two=False):
        time_s = self.count * self.step_s
        self.count += 1
        people = look_for(self.landmarker, picture(), self.memory.known(time_s), time_s=time_s, afresh=afresh, two=two)
        self.memory.remember(people, time_s)
        return places(people)


def places(people: People) -> list[float]:
    return sorted(float(one[[Landmark.LEFT_HIP, Landmark.RIGHT_HIP], 0].mean()) for one in people.landmarks_px)


def test_the_detector_rests_while_everybody_is_followed():
    landmarker = ForgetfulLandmarker({"patient": 200.0, "examiner": 420.0})
    watching = Watching(landmarker)
    for _ in range(10):
        assert watching.next() == pytest.approx([200, 420])
    assert (landmarker.detections, landmarker.looks) == (1, 20)


def test_afresh_the_detector_says_where_people_are_and_nobody_is_looked_at_twice():
    landmarker = ForgetfulLandmarker({"patient": 200.0})
    watching = Watching(landmarker)
    for _ in range(10):
        watching.next(afresh=True)
    assert (landmarker.detections, landmarker.looks) == (10, 10)


def test_a_newcomer_is_found_when_the_detector_looks():
    landmarker = ForgetfulLandmarker({"patient": 200.0})
    watching = Watching(landmarker)
    watching.next()
    landmarker.people["examiner"] = 420.0
    assert watching.next() == pytest.approx([200])
    assert watching.next(afresh=True) == pytest.approx([200, 420])
    assert watching.next() == pytest.approx([200, 420])


def test_who_is_passed_over_by_the_detector_is_still_followed():
    landmarker = ForgetfulLandmarker({"patient": 200.0, "examiner": 420.0})
    watching = Watching(landmarker)
    watching.next()
    landmarker.missed = {"patient"}
    for index in range(1, 90):
        assert watching.next(afresh=index % 3 == 0) == pytest.approx([200, 420], abs=0.1)


def test_who_steps_aside_at_once_is_looked_for_in_the_whole_picture():
    landmarker = ForgetfulLandmarker({"patient": 100.0})
    watching = Watching(landmarker)
    watching.next()
    landmarker.people["patient"] = 400.0
    assert watching.next() == pytest.approx([400])
    assert landmarker.detections >= 2


def test_a_region_too_old_is_not_looked_in():
    """At 4 pictures a second a walking person is elsewhere in the next one, so each picture is looked at afresh."""
    landmarker = ForgetfulLandmarker({"patient": 200.0})
    watching = Watching(landmarker, rate_hz=4.0)
    for _ in range(5):
        watching.next()
    assert landmarker.detections == 5


def test_somebody_not_followed_is_found_again_at_the_same_place():
    """Where regions are too old and the detector passes over one, their place is cut out and looked at alone."""
    landmarker = ForgetfulLandmarker({"patient": 200.0, "examiner": 420.0})
    watching = Watching(landmarker, rate_hz=4.0)
    watching.next()
    landmarker.missed = {"patient"}
    for _ in range(20):
        assert watching.next() == pytest.approx([200, 420], abs=0.1)


@pytest.mark.parametrize("missed", ["patient", "examiner"])
def test_of_two_who_are_there_the_one_the_detector_passes_over_is_looked_for_beside_the_other(missed):
    landmarker = ForgetfulLandmarker({"patient": 200.0, "examiner": 420.0})
    landmarker.missed = {missed}
    alone = {"patient": 420.0, "examiner": 200.0}[missed]
    assert Watching(landmarker).next(afresh=True) == pytest.approx([alone])
    watching = Watching(landmarker)
    assert watching.next(afresh=True, two=True) == pytest.approx([200, 420], abs=0.1)
    for index in range(1, 30):
        assert watching.next(afresh=index % 3 == 0, two=True) == pytest.approx([200, 420], abs=0.1)


def test_beside_somebody_who_is_alone_nobody_is_found():
    for x in (200.0, 41.0, WIDTH - 41.0):
        watching = Watching(ForgetfulLandmarker({"patient": x}))
        for _ in range(4):
            assert watching.next(afresh=True, two=True) == pytest.approx([x], abs=0.1)


def test_who_has_left_is_forgotten():
    landmarker = ForgetfulLandmarker({"patient": 200.0, "examiner": 420.0})
    watching = Watching(landmarker)
    watching.next()
    del landmarker.people["examiner"]
    for _ in range(60):
        assert watching.next() == pytest.approx([200])
    before = landmarker.detections
    watching.next()
    assert landmarker.detections == before


def test_each_person_is_given_once():
    landmarker = ForgetfulLandmarker({"patient": 200.0, "beside": 245.0})
    watching = Watching(landmarker)
    watching.next()
    landmarker.missed = {"beside"}
    assert len(watching.next(afresh=True)) <= 2
