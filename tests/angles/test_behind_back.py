"""Height of a hand on the back, on a drawn figure."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from vision_rom.angles import find_view
from vision_rom.angles.behind_back import back_reach
from vision_rom.camera.known_length import KnownLength
from vision_rom.camera.lens import Lens
from vision_rom.camera.scale import EvenScale, PlaneScale
from vision_rom.handover import Clip, Landmark
from vision_rom.known_camera import with_known_length
from vision_rom.movements import movement
from vision_rom.places import BEFORE_SHEET_M, in_cm, in_cm_by_length, in_cm_by_sheet, place_reading, zone_of
from vision_rom.readings import measure_landmarks

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
    assert "raised and brought across" in (reading.reason or "")


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


def test_a_known_length_gives_centimetres_and_its_doubt_widens_them(draw):
    """The trunk's pixels at 2 mm each, three quarters of them."""
    track, view = seen_from_behind(draw, 0.75)
    reading = place_reading(track, BACK, "right", view)
    px = track.landmarks_px[0, :, :2]
    shoulders = (px[Landmark.LEFT_SHOULDER] + px[Landmark.RIGHT_SHOULDER]) / 2
    trunk_cm = 0.2 * np.linalg.norm((px[Landmark.LEFT_HIP] + px[Landmark.RIGHT_HIP]) / 2 - shoulders)
    exact, doubted = (in_cm_by_length(reading, track, EvenScale(0.002, sd), source="a rod") for sd in (0.0, 0.1))
    assert exact.cm == pytest.approx(0.75 * trunk_cm)
    assert exact.cm95[1] - exact.cm == pytest.approx(0.1 * trunk_cm)
    assert doubted.cm95[1] - doubted.cm == pytest.approx(trunk_cm * np.hypot(0.1, 1.96 * 0.1 * 0.75))
    assert doubted.cm_from == "a rod"


def test_the_spine_by_tape_is_the_trunk_that_the_ratio_counts_in(draw):
    track, _ = seen_from_behind(draw, 0.5)
    found = measure_landmarks(a_clip(track), track, movement="hand_behind_back", side="right")
    told = with_known_length(found, track, KnownLength(48.0, "spine"), lens=None)
    assert told.places[0].cm == pytest.approx(24.0, abs=0.1)
    assert told.places[0].cm_from == "the spine of 48 cm"
    assert "Scale by the spine of 48 cm" in told.camera[-1]
    unseen = with_known_length(
        found, replace(track, landmarks_px=track.landmarks_px * np.nan), KnownLength(48.0, "spine"), lens=None
    )
    assert "gave no scale" in unseen.camera[-1]
    assert np.isnan(unseen.places[0].cm)


def test_the_focal_length_s_range_widens_centimetres_by_a_sheet(draw):
    """A sheet 10 % nearer or farther: the back 0.4 m before it is not nearer in proportion."""
    track, view = seen_from_behind(draw, 0.75)
    reading = place_reading(track, BACK, "right", view)

    def by(focal_px):
        lens = Lens(focal_px, focal_px, track.width_px / 2, track.height_px / 2, track.width_px, track.height_px)
        return PlaneScale(lens, np.array([0.0, 0.0, 1.0]), 2.5 * focal_px / 1000.0, 0.003)

    profile = in_cm_by_sheet(reading, track, by(1000.0), ends=[by(995.0), by(1005.0)])
    assumed = in_cm_by_sheet(reading, track, by(1000.0), ends=[by(815.0), by(1333.0)])
    assert assumed.cm == profile.cm
    assert assumed.cm95[1] - assumed.cm95[0] > profile.cm95[1] - profile.cm95[0] + 0.1


def a_clip(track):
    return Clip(
        Path("drawn.mp4"), "1" * 64, 2.0, len(track.time_s), 30.0, False, 0, False, track.width_px, track.height_px
    )
