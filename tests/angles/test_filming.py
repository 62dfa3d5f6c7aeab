"""Faults of the filming, each made on purpose in a drawn patient."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from vision_rom.angles import find_view
from vision_rom.angles.filming import filming_remarks
from vision_rom.handover import Landmark


@pytest.fixture
def track(draw):
    drawn = draw(elevation_deg=[5.0] * 20).track(width_px=720, height_px=1000)
    return replace(drawn, landmarks_px=np.nan_to_num(drawn.landmarks_px), brightness=np.full(20, 120.0))


def remarks(track, tilt_deg=0.0):
    view = find_view(track.landmarks_px, track.visibility, track.world_m, network="")
    return filming_remarks(track, view, tilt_deg)


def scaled(track, factor):
    middle = np.array([track.width_px / 2, track.height_px / 2, 0.0])
    return replace(track, landmarks_px=(track.landmarks_px - middle) * factor + middle)


def only(found, words):
    assert len(found) == 1, found
    assert words in found[0]


def test_good_filming_gets_no_remark(track):
    assert remarks(track) == ()
    # a tilt that is not known is no tilt
    assert remarks(track, float("nan")) == ()


@pytest.mark.parametrize(("tilt_deg", "words"), [(20.0, "look up by about 20 degrees"), (-16.0, "down by about 16")])
def test_tilted_phone(track, tilt_deg, words):
    only(remarks(track, tilt_deg), words)
    assert remarks(track, tilt_deg / 4) == ()


def test_phone_on_its_side_by_some_degrees(track):
    turn = np.radians(12.0)
    rotation = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    middle = np.array([360.0, 500.0, 0.0])
    only(remarks(replace(track, landmarks_px=(track.landmarks_px - middle) @ rotation.T + middle)), "by 12 degrees")


@pytest.mark.parametrize(("turn_deg", "words"), [(180.0, "upside down"), (90.0, "on its side"), (-95.0, "on its side")])
def test_a_recording_that_is_not_upright(track, turn_deg, words):
    turn = np.radians(turn_deg)
    rotation = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    middle = np.array([360.0, 500.0, 0.0])
    turned = replace(track, landmarks_px=(track.landmarks_px - middle) @ rotation.T + middle)
    assert any(words in one and "turn it upright" in one for one in remarks(turned))


def test_too_near(track):
    # hips, hands and head stay where nobody is cut off: only the trunk's size tells the distance
    near = scaled(track, 2.0)
    near = replace(near, width_px=2000, height_px=1000)
    assert not any("near" in one for one in remarks(near))
    assert any("near, at about" in one for one in remarks(scaled(track, 2.0)))


def test_too_small(track):
    only(remarks(scaled(track, 0.3)), "small in the picture")


def test_cut_off_hand(track):
    points = track.landmarks_px.copy()
    points[10:14, Landmark.LEFT_WRIST, 1] = -30.0
    only(remarks(replace(track, landmarks_px=points)), "In 20% of the pictures a hand was outside")


def test_somebody_else(track):
    only(remarks(replace(track, people=np.full(20, 2))), "Somebody else")
    assert remarks(replace(track, people=np.ones(20, int))) == ()


def test_darkness_is_told_with_and_without_a_patient(track):
    dark = replace(track, brightness=np.full(20, 20.0))
    only(remarks(dark), "dark")
    only(remarks(replace(dark, landmarks_px=np.full_like(dark.landmarks_px, np.nan))), "dark")
