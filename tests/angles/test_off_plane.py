from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision_rom.angles.elevation import elevation_curve
from vision_rom.angles.off_plane import (
    PLANE_AZIMUTH_DEG,
    apparent_deg,
    believed_off_plane_deg,
    off_plane_deg,
    off_plane_from_arm_deg,
    off_plane_sd_of_angle_deg,
    outward_sign,
    plane_disagreement_deg,
    true_deg,
)

# The view errors of an orthographic camera, to a tenth: geometry that anyone can repeat with tan(apparent) = tan(true) *
# cos(psi). Rows: true elevation; columns: psi 10, 15, 20, 30, 40 degrees.
TURNS = (10, 15, 20, 30, 40)
VIEW_ERRORS = {
    45: (-0.4, -1.0, -1.8, -4.1, -7.5),
    60: (-0.4, -0.9, -1.6, -3.7, -7.0),
    90: (0, 0, 0, 0, 0),
    120: (0.4, 0.9, 1.6, 3.7, 7.0),
    135: (0.4, 1.0, 1.8, 4.1, 7.5),
    150: (0.4, 0.9, 1.5, 3.4, 6.1),
    165: (0.2, 0.5, 0.9, 1.9, 3.4),
}


@pytest.mark.parametrize("true", VIEW_ERRORS)
@pytest.mark.parametrize("column", range(5))
def test_view_errors_by_formula_and_by_a_far_pinhole_camera(draw, true, column):
    psi, error = TURNS[column], VIEW_ERRORS[true][column]
    assert apparent_deg(true, psi) - true == pytest.approx(error, abs=0.05 + 1e-9)
    for distance in (None, 500.0):
        seen = draw(elevation_deg=true, facing_deg=psi, distance_m=distance, scale=1.0)
        angle = elevation_curve(seen.px, side="left", facing_deg=psi).angle_deg[0]
        assert angle - true == pytest.approx(error, abs=0.1 if distance else 0.05 + 1e-9)


@given(st.floats(-85, 265), st.floats(0, 80))
def test_true_undoes_apparent(true, psi):
    back = float(true_deg(apparent_deg(true, psi), psi))
    assert abs((back - true + 180) % 360 - 180) < 1e-6


@given(st.floats(-179, 179), st.floats(0, 80))
def test_correction_keeps_the_quadrant(seen, psi):
    corrected = float(true_deg(seen, psi))
    assert np.sign(np.round(np.sin(np.radians(seen)), 12)) == np.sign(np.round(np.sin(np.radians(corrected)), 12))
    assert np.cos(np.radians(seen)) * np.cos(np.radians(corrected)) >= -1e-12


def test_a_plane_on_edge_is_not_measured():
    assert np.isnan(true_deg(45.0, 90.0))


@pytest.mark.parametrize(
    ("plane", "facing", "side", "off"),
    [
        ("frontal", 0, "left", 0), ("frontal", 180, "right", 0), ("frontal", 90, "left", 90),
        ("sagittal", 90, "right", 0), ("sagittal", -90, "left", 0), ("sagittal", 0, "left", 90),
        ("scapular", 0, "left", 35), ("scapular", 35, "left", 0), ("scapular", -35, "right", 0),
        ("scapular", -35, "left", 70), ("scapular", 180, "right", 35),
    ],
)  # fmt: skip
def test_turn_of_each_plane(plane, facing, side, off):
    assert off_plane_deg(PLANE_AZIMUTH_DEG[plane], facing, side) == pytest.approx(off)


@given(st.floats(-90, 90), st.floats(-180, 180), st.sampled_from(["left", "right"]))
def test_outward_sign_is_where_the_drawn_arm_points(azimuth, facing, side):
    other = {"left": "right", "right": "left"}[side]
    assert off_plane_deg(azimuth, facing, side) == pytest.approx(off_plane_deg(azimuth, -facing, other), abs=1e-9)
    # the arm of each side raised in the plane points to x = own * cos(azimuth) * cos(facing) + sin(azimuth) * sin(facing)
    own = 1 if side == "left" else -1
    a, p = np.radians(facing), np.radians(azimuth)
    x = own * np.cos(p) * np.cos(a) + np.sin(p) * np.sin(a)
    if abs(x) > 1e-6:
        assert outward_sign(azimuth, facing, side) == np.sign(x)


@pytest.mark.parametrize("psi", [15.0, 25.0, 35.0, 45.0])
def test_arm_foreshortening_tells_the_turn(draw, psi):
    raised = np.concatenate([np.full(10, 5.0), np.linspace(5, 140, 120)])
    seen = draw(elevation_deg=raised, facing_deg=psi, distance_m=None)
    curve = elevation_curve(seen.px, side="left", facing_deg=psi)
    arm = np.linalg.norm(seen.px[:, 13, :2] - seen.px[:, 11, :2], axis=1)
    trunk = np.full(len(arm), 0.288 * 1.75 * 300)
    off, sd = off_plane_from_arm_deg(arm, trunk, curve.apparent_deg, at_90=1.0)
    assert off == pytest.approx(psi, abs=2.5)
    assert sd >= 3


def test_arm_never_raised_tells_no_turn():
    off, sd = off_plane_from_arm_deg(np.ones(20), np.ones(20), np.full(20, 10.0))
    assert np.isnan([off, sd]).all()


def test_disagreement_says_by_how_much():
    square = plane_disagreement_deg(side="left", plane="frontal", facing_deg=3.0, facing_sd_deg=5.0)
    assert square.sentence == ""
    assert square.off_plane_deg == pytest.approx(3)
    off = plane_disagreement_deg(side="left", plane="frontal", facing_deg=-30.0, facing_sd_deg=5.0)
    assert "30 degrees" in off.sentence
    both = plane_disagreement_deg(
        side="left", plane="frontal", facing_deg=30.0, facing_sd_deg=5.0, from_arm_deg=20.0, from_arm_sd_deg=5.0
    )
    assert 20 < both.off_plane_deg < 30
    assert both.sd_deg < off.sd_deg
    torn = plane_disagreement_deg(
        side="left", plane="frontal", facing_deg=0.0, facing_sd_deg=3.0, from_arm_deg=60.0, from_arm_sd_deg=3.0
    )
    assert torn.sd_deg > 15, "two witnesses that contradict each other leave doubt"
    unknown = plane_disagreement_deg(side="left", plane="frontal", facing_deg=float("nan"), facing_sd_deg=5.0)
    assert "could not be told" in unknown.sentence


def test_noise_is_not_corrected_for():
    assert believed_off_plane_deg(6.0, 8.0) == 0
    assert believed_off_plane_deg(40.0, 9.0) == pytest.approx(np.sqrt(40**2 - 9**2))


def test_doubt_about_the_turn_becomes_doubt_about_the_angle():
    # by simulation: numpy's normal numbers through the same geometry
    turns = np.abs(np.random.default_rng(4).normal(35, 6, 200_000)).clip(0, 85)
    simulated = np.std(true_deg(130.0, turns))
    assert off_plane_sd_of_angle_deg(130.0, 35.0, 6.0) == pytest.approx(simulated, rel=0.03)
    assert off_plane_sd_of_angle_deg(90.0, 35.0, 6.0) == pytest.approx(0, abs=1e-9)
    assert np.isnan(off_plane_sd_of_angle_deg(90.0, float("nan"), 6.0))
