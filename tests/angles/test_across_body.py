"""Adduction across the body by a marked elbow, on a drawn figure whose angle is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from vision_rom.angles import find_view
from vision_rom.angles.across_body import (
    LINES,
    MARK_SD_WIDTHS,
    MARKED_SHOULDER,
    NETWORK_SHOULDER,
    across_at,
    marked_place,
    place_across,
)
from vision_rom.handover import MIRRORED_LANDMARKS, ArmMark, Landmark, other_side

RATE_HZ = 30.0
HELD_S = 2.5


def brought_across(draw, plane_deg, *, side="right", facing_deg=0.0, distance_m=2.7):
    """One second of rest, then the arm level in a plane of elevation: 90 is straight ahead, more is across."""
    elevation = np.concatenate([np.full(30, 4.0), np.linspace(4.0, 90.0, 20), np.full(60, 90.0)])
    seen = draw(elevation_deg=elevation, azimuth_deg=plane_deg, side=side, facing_deg=facing_deg, distance_m=distance_m)
    track = seen.track()
    return track, find_view(track.landmarks_px, track.visibility, track.world_m, network="")


def true_mark(track, side="right", *, shoulder=False):
    row = int(np.abs(track.time_s - HELD_S).argmin())
    elbow, own = (tuple(track.landmarks_px[row, Landmark.of(side, part), :2]) for part in ("elbow", "shoulder"))
    return ArmMark(side, HELD_S, elbow, own if shoulder else None)


@pytest.fixture(autouse=True)
def the_trunk_looks_turned_as_usual(monkeypatch):
    """A drawn arm does not draw the trunk along, as the pose network's does."""
    monkeypatch.setattr("vision_rom.angles.across_body.USUAL_TURN_DEG", 0.0)


@pytest.mark.parametrize("shoulder", [False, True])
@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("plane_deg", [98.0, 110.0, 120.0, 135.0])
def test_a_drawn_angle_lies_in_its_interval(draw, plane_deg, side, shoulder):
    """By geometry alone: the figure has no shoulder blade that comes forward, so its angles are off by what that does."""
    track, view = brought_across(draw, plane_deg, side=side)
    read = across_at(track, true_mark(track, side, shoulder=shoulder), view)
    assert read.reason == ""
    assert read.angle95_deg[0] < plane_deg < read.angle95_deg[1]


def test_further_across_reads_a_larger_angle_and_a_smaller_distance(draw):
    reads = []
    for plane_deg in (95.0, 110.0, 125.0, 140.0):
        track, view = brought_across(draw, plane_deg)
        reads.append(across_at(track, true_mark(track), view))
    assert np.all(np.diff([one.angle_deg for one in reads]) > 5.0)
    assert np.all(np.diff([one.distance for one in reads]) < -0.05)


def test_two_published_ranges_agree_by_the_same_geometry():
    """Boone & Azen 1979 (catalogue, from memory): 140.7 degrees, SD 5.9; Vairo 2012: elbow to far acromion 20 to 32 cm, middle 26, in young men.

    With the upper arm 0.186 and the acromia 0.259 of a height of 1.75 m apart (Drillis and Contini 1966), the first are lengths among the second:
    angle and distance tell one thing.
    """
    arm_cm, width_cm = 0.186 * 175.0, 0.259 * 175.0

    def apart_cm(plane_deg):
        across = np.radians(plane_deg - 90.0)
        return float(np.hypot(width_cm - arm_cm * np.sin(across), arm_cm * np.cos(across)))

    assert 20.0 < apart_cm(140.7 + 2 * 5.9) < apart_cm(140.7) < 32.0
    # and so does the line: healthy young men's angle is a distance of theirs, in widths between the shoulders' centres (0.36 m)
    angle, distance = LINES[NETWORK_SHOULDER]
    place = (140.7 - angle.at_zero) / angle.per_width
    half_cm = 36.0 * distance.half_width(MARK_SD_WIDTHS, 1)
    assert 20.0 - half_cm < 36.0 * distance.at(place, 0.0) < 32.0


def test_a_mirrored_picture_reads_the_same_of_the_other_arm(draw):
    track, view = brought_across(draw, 120.0, facing_deg=6.0)
    order = list(MIRRORED_LANDMARKS)
    px, world = track.landmarks_px[:, order].copy(), track.world_m[:, order].copy()
    px[..., 0] = track.width_px - px[..., 0]
    world[..., 0] *= -1
    mirrored = replace(track, landmarks_px=px, world_m=world)
    other = find_view(px, track.visibility, world, network="")
    mark = true_mark(track)
    there = replace(mark, side=other_side("right"), elbow_px=(track.width_px - mark.elbow_px[0], mark.elbow_px[1]))
    before, after = across_at(track, mark, view), across_at(mirrored, there, other)
    assert after.angle_deg == pytest.approx(before.angle_deg, abs=0.01)
    assert after.distance == pytest.approx(before.distance, abs=1e-4)


def test_a_turned_trunk_is_taken_into_account(draw):
    """The angle counts from the trunk: the same arm on a trunk turned by 10 degrees reads about the same."""
    straight = across_at(*_of(brought_across(draw, 120.0)))
    turned = across_at(*_of(brought_across(draw, 120.0, facing_deg=10.0)))
    assert turned.angle_deg == pytest.approx(straight.angle_deg, abs=4.0)


def _of(seen):
    track, view = seen
    return track, true_mark(track), view


def test_an_unsurer_mark_widens_the_interval_and_moves_nothing(draw):
    track, view = brought_across(draw, 120.0)
    reads = [across_at(track, true_mark(track), view, mark_sd=sd) for sd in (0.0, 0.05, 0.1)]
    assert len({one.angle_deg for one in reads}) == 1
    widths = [one.angle95_deg[1] - one.angle95_deg[0] for one in reads]
    assert widths[0] < widths[1] < widths[2]
    both = across_at(track, true_mark(track, shoulder=True), view, mark_sd=0.0)
    assert both.angle95_deg[1] - both.angle95_deg[0] < widths[0], "a perfect shoulder is surer than the network's"


def test_the_elbow_moves_the_reading_by_the_line(draw):
    track, view = brought_across(draw, 120.0)
    mark = true_mark(track)
    width_px = np.linalg.norm(
        track.landmarks_px[0, Landmark.LEFT_SHOULDER, :2] - track.landmarks_px[0, Landmark.RIGHT_SHOULDER, :2]
    )
    moved = replace(mark, elbow_px=(mark.elbow_px[0] + 0.1 * width_px, mark.elbow_px[1]))
    before, after = across_at(track, mark, view), across_at(track, moved, view)
    assert after.angle_deg - before.angle_deg == pytest.approx(-0.1 * LINES[NETWORK_SHOULDER][0].per_width, rel=0.02)


@pytest.mark.parametrize(
    ("what", "words"),
    [
        ("outside", "outside the picture"),
        ("far", "too far from the shoulder"),
        ("low", "too high or low"),
        ("side", "furthest position"),
        ("turned", "squarely from the front"),
        ("back", "from the front"),
        ("unseen", "not seen in the marked picture"),
        ("trunk", "trunk turned along"),
        ("shoulder", "the marked shoulder"),
    ],
)
def test_what_cannot_be_read_says_why(draw, what, words):
    facing = {"turned": 30.0, "back": 180.0}.get(what, 0.0)
    track, view = brought_across(draw, 120.0, facing_deg=facing)
    mark = true_mark(track)
    x, y = mark.elbow_px
    if what == "outside":
        mark = replace(mark, elbow_px=(-5.0, y))
    elif what == "far":
        mark = replace(mark, elbow_px=(x + 250.0, y))
    elif what == "low":
        mark = replace(mark, elbow_px=(x, y + 105.0))
    elif what == "side":
        mark = replace(mark, elbow_px=(x - 105.0, y))
    elif what == "unseen":
        mark = replace(mark, time_s=60.0)
    elif what == "trunk":
        view = replace(view, per_frame_deg=view.per_frame_deg - 40.0 * (track.time_s > 2.0))
    elif what == "shoulder":
        shoulder = track.landmarks_px[80, Landmark.RIGHT_SHOULDER, :2]
        mark = replace(mark, shoulder_px=(float(shoulder[0]) + 70.0, float(shoulder[1])))
    read = across_at(track, mark, view)
    assert words in read.reason
    assert np.isnan([read.angle_deg, read.distance, *read.angle95_deg]).all()


def test_the_network_s_own_elbow_tells_when_the_arm_was_raised(draw):
    track, view = brought_across(draw, 120.0)
    places = place_across(track, "right", view)
    assert np.isnan(places[:30]).all()
    assert places[-1] < -0.2
    mark = true_mark(track)
    assert marked_place(track, mark, view).place == pytest.approx(places[-1], abs=0.01)


def test_the_lines_of_a_marked_shoulder_leave_less(draw):
    for network, marked in zip(LINES[NETWORK_SHOULDER], LINES[MARKED_SHOULDER], strict=True):
        assert marked.sd < network.sd
