"""The synthetic camera against OpenCV's projection, and against plain geometry."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from vision_rom.errors import UsageError
from vision_rom.synthetic.camera import VIEW_YAW_DEG, Camera

cameras = st.builds(
    Camera,
    view=st.sampled_from(sorted(VIEW_YAW_DEG)),
    off_plane_deg=st.floats(-60, 60),
    distance_m=st.floats(2, 5),
    height_m=st.floats(0.3, 2.0),
    tilt_deg=st.floats(-20, 20),
    pan_deg=st.floats(-15, 15),
    roll_deg=st.floats(-30, 30),
    vertical_fov_deg=st.floats(35, 75),
    width_px=st.sampled_from([480, 720]),
    height_px=st.sampled_from([640, 960]),
    k1=st.floats(-0.07, 0.12),
    k2=st.floats(-0.01, 0.02),
)
points = np.random.default_rng(3).uniform([-0.8, -0.8, 0], [0.8, 0.8, 2.0], (50, 3))


@given(camera=cameras)
@example(camera=Camera(view="back", distance_m=2.0, height_m=1.0, roll_deg=2.7e-06, vertical_fov_deg=35.0))
def test_projection_equals_opencv(camera):
    """cv2.projectPoints (OpenCV's calib3d) draws every point at the same pixel."""
    # scipy's rotation vector: OpenCV's own loses digits near half a turn
    rotation = Rotation.from_matrix(camera.rotation).as_rotvec()
    expected, _ = cv2.projectPoints(
        points,
        rotation,
        -camera.rotation @ camera.position_m,
        camera.intrinsics,
        np.array([camera.k1, camera.k2, 0.0, 0.0]),
    )
    drawn, depth = camera.project(points)
    np.testing.assert_allclose(drawn, expected[:, 0], atol=1e-6)
    assert np.all(depth > 0)


@given(camera=cameras)
def test_undistort_undoes_distort_inside_the_picture(camera):
    half = np.array([camera.width_px, camera.height_px]) / 2 / camera.focal_px
    drawn = np.random.default_rng(4).uniform(-half, half, (50, 2))
    np.testing.assert_allclose(camera.distort(camera.undistort(drawn)), drawn, atol=1e-8)


@given(camera=cameras)
def test_rotation_is_a_proper_rotation(camera):
    np.testing.assert_allclose(camera.rotation @ camera.rotation.T, np.eye(3), atol=1e-12)
    assert np.linalg.det(camera.rotation) == pytest.approx(1.0)


def test_person_faces_the_front_camera():
    """From the front the person's left is on the right of the picture, up is up, and the middle is the middle."""
    camera = Camera(height_m=1.0)
    (middle, left, head), depth = camera.project([[0, 0, 1.0], [0.5, 0, 1.0], [0, 0, 1.7]])
    np.testing.assert_allclose(middle, [240, 320], atol=1e-9)
    assert left[0] > 240
    assert head[1] < 320
    np.testing.assert_allclose(depth, 3.0)


@pytest.mark.parametrize(("view", "nearest"), [("front", 0), ("left_side", 1), ("back", 2), ("right_side", 3)])
def test_each_view_stands_on_its_side(view, nearest):
    around = np.array([[0, -0.3, 1], [0.3, 0, 1], [0, 0.3, 1], [-0.3, 0, 1]], float)
    _, depth = Camera(view=view).project(around)
    assert int(np.argmin(depth)) == nearest


def test_positive_off_plane_goes_towards_the_persons_left():
    assert Camera(off_plane_deg=30).position_m[0] > 0
    assert Camera(view="back", off_plane_deg=30).yaw_deg == pytest.approx(-150)


def test_tilt_up_lowers_the_picture_and_pan_right_moves_it_left():
    level = Camera().project([[0, 0, 1.1]])[0][0]
    assert Camera(tilt_deg=5).project([[0, 0, 1.1]])[0][0][1] > level[1]
    assert Camera(pan_deg=5).project([[0, 0, 1.1]])[0][0][0] < level[0]


def test_clockwise_roll_turns_the_content_anticlockwise():
    head = Camera(roll_deg=20).project([[0, 0, 1.9]])[0][0]
    assert head[0] < 240


def test_points_behind_the_lens_have_no_pixel():
    drawn, depth = Camera().project([[0, -4.0, 1.0]])
    assert np.isnan(drawn).all()
    assert depth[0] < 0


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        ({"view": "above"}, "one of front"),
        ({"distance_m": 0.1}, "distance_m lies between"),
        ({"width_px": 481}, "even numbers"),
        ({"k1": -3.0}, "folds"),
        ({"tilt_deg": float("nan")}, "tilt_deg lies between"),
    ],
)
def test_impossible_cameras_are_refused(fault, says):
    with pytest.raises(UsageError, match=says):
        Camera(**fault)
