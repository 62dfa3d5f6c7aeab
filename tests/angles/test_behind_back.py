"""Height of a hand on the back, on a drawn figure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from vision_rom.angles import find_view
from vision_rom.angles.behind_back import back_reach
from vision_rom.camera.lens import Lens
from vision_rom.camera.scale import PlaneScale
from vision_rom.handover import Landmark
from vision_rom.movements import movement
from vision_rom.places import BEFORE_SHEET_M, in_cm, in_cm_by_sheet, place_reading, zone_of

BACK = movement("hand_behind_back")


def seen_from_behind(draw, ratio, *, across=0.05, facing_deg=180.0, side="right"):
    """The hand's index finger at a height between the shoulders' (0) and the hips' (1) middle."""
    track = draw(facing_deg=np.full(40, facing_deg), distance_m=None).track()
    px = track.landmarks_px.copy()
    shoulders = (px[:, Landmark.LEFT_SHOULDER] + px[:, Landmark.RIGHT_SHOULDER]) / 2
    hips = (px[:, Landmark.LEFT_HIP] + px[:, Landmark.RIGHT_HIP]) / 2
    trunk = np.linalg.norm(hips - shoulders, axis=1)[:, None]
    px[:, Landmark.of(side, "index")] = shoulders + ratio * (hips - shoulders) + [1, 0, 0] * trunk * across
    track = replace(track, landmarks_px=px)
    return track, find_view(track.landmarks_px, track.visibility, track.world_m, network="")


@pytest.mark.parametrize("ratio", [0.4, 0.75, 1.1])
@pytest.mark.parametrize("side", ["left", "right"])
def test_the_drawn_height_comes_back(draw, ratio, side):
    track, view = seen_from_behind(draw, ratio, side=side)
    assert back_reach(track, side=side, view=view).ratio == pytest.approx(ratio, abs=1e-6)
    reading = place_reading(track, BACK, side, view)
    assert reading.status == "measured"
    assert reading.value == pytest.approx(ratio, abs=1e-6)
    assert reading.interval95[0] < ratio < reading.interval95[1]


def test_a_hand_beside_the_body_is_not_on_the_back(draw):
    track, view = seen_from_behind(draw, 0.8, across=0.7)
    reading = place_reading(track, BACK, "right", view)
    assert reading.status == "not_measured"
    assert "right hand was not seen on the back" in (reading.reason or "")


def test_from_the_front_it_is_refused(draw):
    track, view = seen_from_behind(draw, 0.8, facing_deg=0.0)
    assert "film the back" in (place_reading(track, BACK, "right", view).reason or "")


def test_across_the_body_is_refused_with_what_to_do(draw):
    track, view = seen_from_behind(draw, 0.8, facing_deg=0.0)
    reading = place_reading(track, movement("cross_body_adduction"), "left", view)
    assert reading.status == "not_measured"
    assert "tape" in (reading.reason or "")


@pytest.mark.parametrize(
    ("low", "high", "told"),
    [
        (0.2, 0.4, "About T7 or higher"),
        (0.6, 0.7, "About T12"),
        (0.68, 0.88, "Waist (about L3) to About T12"),
        (1.2, 1.3, "Buttock"),
        (2.0, 2.2, "Side of the thigh"),
    ],
)
def test_an_interval_over_a_limit_names_both_zones(low, high, told):
    assert zone_of(BACK, low, high) == told


def test_with_the_body_height_a_ratio_is_a_length_with_a_wider_interval(draw):
    track, view = seen_from_behind(draw, 0.5)
    ratio = place_reading(track, BACK, "right", view)
    length = in_cm(ratio, 180.0)
    assert length.cm == pytest.approx(0.5 * 0.288 * 180.0)
    relative = [(high - low) / value for (low, high), value in ((ratio.interval95, 0.5), (length.cm95, length.cm))]
    assert relative[1] > relative[0]
    refused = place_reading(track, movement("cross_body_adduction"), "left", view)
    assert in_cm(refused, 180.0) == refused


def test_a_sheet_on_the_wall_gives_the_length_of_what_stands_before_it(draw):
    """The figure's trunk is 0.288 of 1.75 m, drawn 3 m away at a focal length of 900 px; the sheet hangs 0.4 m behind."""
    track, view = seen_from_behind(draw, 0.5)
    lens = Lens(900.0, 900.0, 360.0, 500.0, 720, 960)
    scale = PlaneScale(lens, np.array([0.0, 0.0, 1.0]), 3.0 + BEFORE_SHEET_M, 0.003)
    length = in_cm_by_sheet(place_reading(track, BACK, "right", view), track, scale)
    assert length.cm == pytest.approx(0.5 * 0.288 * 175.0, rel=0.02)
    assert length.cm95[0] < length.cm < length.cm95[1]


def test_zones_of_the_catalogue_go_upwards():
    limits = [zone.lowest_at for zone in BACK.zones]
    assert limits == sorted(limits, reverse=True)
