"""The lens against OpenCV's own projection and undistortion (opencv-contrib-python, calib3d)."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision_rom.camera.lens import Lens

NORMAL = Lens(1000.0, 1003.0, 645.0, 355.0, 1280, 720, (0.08, -0.15, 0.0006, -0.0004, 0.05))
WIDE = Lens(600.0, 600.0, 634.0, 366.0, 1280, 720, (-0.22, 0.05, 0.0004, 0.0003))
RATIONAL = Lens(700.0, 700.0, 640.0, 360.0, 1280, 720, (0.3, 0.02, 0.0003, -0.0002, 0.001, 0.5, 0.06, 0.002))
LENSES = [NORMAL, WIDE, RATIONAL]


def whole_picture(lens: Lens) -> np.ndarray:
    x, y = np.meshgrid(np.linspace(0, lens.width_px - 1, 23), np.linspace(0, lens.height_px - 1, 17))
    return np.stack([x, y], axis=-1)


@pytest.mark.parametrize("lens", LENSES)
def test_projection_agrees_with_opencv(lens: Lens) -> None:
    """Points in space land where cv2.projectPoints puts them."""
    points = np.random.default_rng(3).uniform([-0.6, -0.4, 0.9], [0.6, 0.4, 1.4], (200, 3))
    expected, _ = cv2.projectPoints(points, np.zeros(3), np.zeros(3), lens.matrix, lens.coefficients)
    np.testing.assert_allclose(lens.project(points), expected.reshape(-1, 2), atol=1e-9)


@pytest.mark.parametrize("lens", LENSES)
def test_rays_agree_with_opencv(lens: Lens) -> None:
    """Rays of the whole picture are those of cv2.undistortPoints, run to convergence."""
    points = whole_picture(lens).reshape(-1, 2)
    stop = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 500, 1e-14)
    expected = cv2.undistortPoints(points[:, None], lens.matrix, lens.coefficients, criteria=stop)
    np.testing.assert_allclose(lens.rays(points), expected.reshape(-1, 2), atol=1e-7)


@pytest.mark.parametrize("lens", LENSES)
def test_there_and_back(lens: Lens) -> None:
    """A picture point's ray leads back to the point, over the whole picture."""
    points = whole_picture(lens)
    np.testing.assert_allclose(lens.project_rays(lens.rays(points)), points, atol=1e-6)


@given(
    k1=st.floats(-0.3, 0.3),
    k2=st.floats(0.0, 0.1),
    p1=st.floats(-1e-3, 1e-3),
    p2=st.floats(-1e-3, 1e-3),
    x=st.floats(0, 1279),
    y=st.floats(0, 719),
)
def test_any_lens_answers_right_or_not_at_all(k1: float, k2: float, p1: float, p2: float, x: float, y: float) -> None:
    """Where the model has an inverse it is found, elsewhere the answer is NaN: never a wrong ray."""
    lens = Lens(620.0, 620.0, 640.0, 360.0, 1280, 720, (k1, k2, p1, p2))
    ray = lens.rays(np.array([x, y]))
    if np.isfinite(ray).all():
        np.testing.assert_allclose(lens.project_rays(ray), [x, y], atol=1e-3)
    else:
        assert np.isnan(ray).all()


def test_a_lens_that_folds_the_picture_has_no_answer_beyond_the_fold() -> None:
    """With k1 = -0.5 the radius r (1 - r^2 / 2) is largest at r^2 = 2/3, where it is 0.544: beyond it nothing is imaged."""
    lens = Lens(1000.0, 1000.0, 0.0, 0.0, 1000, 1000, (-0.5,))
    assert lens.largest_radius == pytest.approx(np.sqrt(2 / 3), abs=0.003)
    assert np.isfinite(lens.rays(np.array([540.0, 0.0]))).all()
    assert np.isnan(lens.rays(np.array([550.0, 0.0]))).all()


def test_nan_stays_nan_and_touches_no_other_point() -> None:
    points = np.array([[100.0, 50.0], [np.nan, np.nan], [1200.0, 700.0]])
    rays = WIDE.rays(points)
    assert np.isnan(rays[1]).all()
    np.testing.assert_array_equal(rays[[0, 2]], WIDE.rays(points[[0, 2]]))


def test_points_behind_the_camera_are_nowhere_in_the_picture() -> None:
    assert np.isnan(NORMAL.project(np.array([0.1, 0.1, -1.0]))).all()


def test_field_of_view_by_trigonometry() -> None:
    """A picture as wide as twice the focal length spans 90 deg."""
    lens = Lens(500.0, 500.0, 499.5, 249.5, 1000, 500)
    across, along = lens.field_of_view_deg()
    assert across == pytest.approx(90.0)
    assert along == pytest.approx(2 * np.degrees(np.arctan(0.5)))
