"""One patient among several people, on invented sightings whose owners are known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision_rom.errors import UsageError
from vision_rom.handover import MIRRORED_LANDMARKS, Landmark
from vision_rom.pose.follow import follow, places_and_sizes, without_duplicates

WIDTH_PX, HEIGHT_PX = 720, 960
RATE_HZ = 30.0


class Cast:
    """People who come and go: in each picture those present are listed in a shuffled order."""

    def __init__(self, count: int, seed: int = 0, rate_hz: float = RATE_HZ) -> None:
        self.time_s = np.arange(count) / rate_hz
        self.rng = np.random.default_rng(seed)
        self.people: list[list[tuple[float, float, float, str]]] = [[] for _ in range(count)]

    def add(self, name, x_px, y_px=600.0, size_px=150.0, present=None, jitter_px=2.0):
        """Put a person in every picture where ``present`` is true."""
        count = len(self.time_s)
        x, y, size = (np.broadcast_to(np.asarray(value, float), count) for value in (x_px, y_px, size_px))
        for i in range(count):
            if present is None or present[i]:
                shake = self.rng.normal(0, jitter_px, 3)
                self.people[i].append((x[i] + shake[0], y[i] + shake[1], size[i] + shake[2], name))
        return self

    def follow(self, **options):
        """Return the name that is followed in each picture ("" where nobody), and the rest of the answer."""
        for present in self.people:
            self.rng.shuffle(present)
        places = [np.array([(x, y) for x, y, _, _ in seen]).reshape(-1, 2) for seen in self.people]
        sizes = [np.array([size for _, _, size, _ in seen]) for seen in self.people]
        found = follow(self.time_s, places, sizes, width_px=WIDTH_PX, height_px=HEIGHT_PX, **options)
        names = [seen[row][3] if row >= 0 else "" for seen, row in zip(self.people, found.choice, strict=True)]
        return names, found


def test_nobody_at_all():
    names, found = Cast(5).follow()
    assert names == [""] * 5
    assert found.remarks == ()
    assert not found.ambiguous.any()


def test_no_pictures():
    assert follow(np.zeros(0), [], [], width_px=10, height_px=10).choice.shape == (0,)


def test_one_person_is_followed_without_remark():
    names, found = Cast(60).add("patient", np.linspace(300, 420, 60)).follow()
    assert set(names) == {"patient"}
    assert found.remarks == ()
    assert not found.ambiguous.any()


def test_the_large_central_person_is_the_patient():
    names, _ = (
        Cast(30).add("far", 360, size_px=60).add("patient", 330, size_px=150).add("edge", 60, size_px=160).follow()
    )
    assert set(names) == {"patient"}


def test_two_equal_people_are_told_as_doubtful():
    _, found = Cast(30).add("one", 240).add("other", 480).follow()
    assert any("--person" in remark for remark in found.remarks)


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("rate_hz", [30.0, 15.0, 5.0])
def test_a_person_crossing_in_front_is_not_followed(seed, rate_hz):
    count = int(6 * rate_hz)
    time_s = np.arange(count) / rate_hz
    cast = Cast(count, seed, rate_hz).add("patient", 360, size_px=150)
    cast.add("helper", -60 + 140 * time_s, size_px=165, y_px=620)
    names, found = cast.follow()
    assert set(names) == {"patient"}
    assert found.ambiguous.any()
    # only around the crossing, at 3 s
    assert found.ambiguous[(time_s < 1.5) | (time_s > 4.5)].sum() == 0
    assert any("taken for each other" in remark for remark in found.remarks)


@pytest.mark.parametrize("seed", range(8))
def test_a_patient_hidden_while_somebody_crosses_is_lost_and_found_again(seed):
    count = 180
    x = np.linspace(-60, 780, count)
    hidden = np.abs(x - 360) < 60
    cast = Cast(count, seed).add("patient", 360, present=~hidden).add("helper", x, size_px=170, y_px=620)
    names, _ = cast.follow()
    assert {name for name, away in zip(names, np.abs(x - 360), strict=True) if away > 130} == {"patient"}
    assert names.count("helper") == 0


@pytest.mark.parametrize("seed", range(12))
def test_two_people_walking_through_each_other_keep_their_names(seed):
    count = 150
    x = np.linspace(150, 570, count)
    names, found = Cast(count, seed).add("patient", x).add("other", 720 - x).follow(person=1)
    for i in np.flatnonzero(np.array(names) != "patient"):
        # in the same place nobody can tell them apart, and it is said so
        assert abs(2 * x[i] - 720) < 20
        assert found.ambiguous[i]


def test_somebody_entering_later_and_nearer_is_not_followed():
    count = 150
    enters = np.arange(count) > 60
    cast = Cast(count).add("patient", 340).add("helper", np.linspace(700, 620, count), size_px=190, present=enters)
    names, _ = cast.follow()
    assert set(names) == {"patient"}


def test_a_gap_leaves_pictures_without_patient_and_is_bridged_in_place():
    seen = np.ones(120, bool)
    seen[50:95] = False
    names, found = Cast(120).add("patient", 360, present=seen).follow()
    assert [name != "" for name in names] == list(seen)
    assert found.remarks == ()


def test_another_place_after_a_gap_is_not_joined():
    first = np.arange(120) < 70
    names, found = Cast(120).add("patient", 250, present=first).add("stranger", 600, present=~first).follow()
    assert set(names[:70]) == {"patient"}
    assert set(names[70:]) == {""}
    assert any("may be somebody else" in remark for remark in found.remarks)


def test_another_size_after_a_gap_is_not_joined():
    first = np.arange(120) < 70
    late = np.arange(120) > 80
    names, _ = Cast(120).add("patient", 360, present=first).add("behind", 360, size_px=80, present=late).follow()
    assert set(names[70:]) == {""}


def test_a_false_sighting_of_one_picture_is_no_person():
    ghost = np.arange(60) == 3
    names, _ = Cast(60).add("patient", 500).add("ghost", 100, present=ghost).follow(person=1)
    assert set(names) == {"patient"}


@pytest.mark.parametrize(("number", "name"), [(1, "left"), (2, "middle"), (3, "right")])
def test_people_are_counted_from_the_left(number, name):
    cast = Cast(30).add("right", 600, size_px=200).add("left", 120, size_px=100).add("middle", 360)
    names, _ = cast.follow(person=number)
    assert set(names) == {name}


def test_the_person_is_counted_where_so_many_are_seen_and_followed_backwards_too():
    late = np.arange(60) >= 30
    cast = Cast(60).add("patient", 500).add("helper", 100, present=late)
    names, _ = cast.follow(person=2)
    assert set(names) == {"patient"}


def test_too_high_a_number_is_told():
    with pytest.raises(UsageError, match="at most 2 people were seen"):
        Cast(30).add("a", 100).add("b", 500).follow(person=3)


def test_a_point_names_the_person_on_it():
    cast = Cast(30).add("large", 360, size_px=200).add("small", 620, y_px=500, size_px=90)
    names, _ = cast.follow(person=(620.0, 450.0))
    assert set(names) == {"small"}


def test_a_point_on_nobody_is_told():
    with pytest.raises(UsageError, match="Nobody was seen near the point 10, 20"):
        Cast(30).add("patient", 500).follow(person=(10.0, 20.0))


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    left=st.floats(80, 300),
    apart=st.floats(130, 350),
    size=st.floats(60, 200),
    number=st.sampled_from([1, 2]),
)
def test_people_who_stay_apart_are_never_mixed_up(seed, left, apart, size, number):
    walk = 20 * np.sin(np.arange(45) / 9)
    cast = Cast(45, seed).add("left", left + walk, size_px=size).add("right", left + apart - walk, size_px=size)
    names, found = cast.follow(person=number)
    assert set(names) == {("left", "right")[number - 1]}
    # relation: the mirrored picture has the other one at that number, and the same doubts
    mirrored = Cast(45, seed).add("left", WIDTH_PX - left - walk, size_px=size)
    mirrored.add("right", WIDTH_PX - left - apart + walk, size_px=size)
    assert set(mirrored.follow(person=3 - number)[0]) == set(names)
    assert found.choice.min() >= 0


def body(x_px: float, *, scale: float = 100.0, seed: int = 0) -> np.ndarray:
    """Return a rough standing figure (33, 3)."""
    points = np.zeros((33, 3))
    points[:, 0] = x_px
    for side, sign in (("left", 1), ("right", -1)):
        for part, (dx, dy) in {"shoulder": (0.35, -1), "hip": (0.2, 0), "elbow": (0.4, -0.5)}.items():
            points[Landmark.of(side, part), :2] = x_px + sign * dx * scale, 500 + dy * scale
    return points + np.random.default_rng(seed).normal(0, 1, points.shape)


def test_detections_of_the_same_person_are_merged_and_the_surer_one_stays():
    people = np.stack([body(200), body(204, seed=1), body(500, seed=2)])
    visibility = np.stack([np.full(33, 0.6), np.full(33, 0.9), np.full(33, 0.7)])
    np.testing.assert_array_equal(without_duplicates(people, visibility), [1, 2])


def test_a_duplicate_with_exchanged_sides_is_merged():
    people = np.stack([body(200), body(200, seed=1)[list(MIRRORED_LANDMARKS)]])
    np.testing.assert_array_equal(without_duplicates(people, np.array([np.full(33, 0.9), np.full(33, 0.8)])), [0])


def test_a_person_beside_another_is_not_merged():
    people = np.stack([body(200), body(290, seed=1)])
    np.testing.assert_array_equal(without_duplicates(people, np.ones((2, 33))), [0, 1])


def test_nobody_has_no_duplicates():
    assert without_duplicates(np.zeros((0, 33, 3)), np.zeros((0, 33))).shape == (0,)


def test_place_and_size_are_the_hips_and_the_trunk():
    places, sizes = places_and_sizes(body(300, scale=100)[None])
    np.testing.assert_allclose(places, [[300, 500]], atol=3)
    np.testing.assert_allclose(sizes, [100], atol=3)


def _out_and_in(speed_px_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Return (n,) where somebody is who goes out at the right edge, or another comes in there, and who of the two it is."""
    count = int(8 * RATE_HZ)
    time_s = np.arange(count) / RATE_HZ
    out = np.clip(360.0 + speed_px_s * (time_s - 2.0), 360.0, None)
    back = np.clip(360.0 + speed_px_s * (6.0 - time_s), 360.0, None)
    return out, back


def test_who_comes_in_where_the_patient_went_out_may_be_another():
    out, back = _out_and_in(600.0)
    first = np.arange(len(out)) < 4 * RATE_HZ
    cast = Cast(len(out)).add("first", out, present=first & (out < WIDTH_PX))
    names, found = cast.add("second", back, present=~first & (back < WIDTH_PX)).follow()
    assert set(names) - {""} in ({"first"}, {"second"})
    assert any("may be somebody else" in remark for remark in found.remarks)


def test_a_patient_at_the_edge_who_was_not_found_for_a_while_is_the_same():
    present = np.ones(120, bool)
    present[50:80] = False
    names, found = Cast(120).add("patient", 700, present=present).follow()
    assert names[0] == names[-1] == "patient"
    assert found.remarks == ()
