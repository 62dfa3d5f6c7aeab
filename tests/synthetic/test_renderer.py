"""The picture against geometry: bodies appear where the camera's projection says, in their colours, before the room."""

from __future__ import annotations

import numpy as np
import pytest

from vision_rom.synthetic.camera import Camera
from vision_rom.synthetic.figure import Figure
from vision_rom.synthetic.people import make_person
from vision_rom.synthetic.phone import Phone
from vision_rom.synthetic.pose3d import ArmPose, PoseParameters
from vision_rom.synthetic.raster import Mesh, Pinhole, rasteriser
from vision_rom.synthetic.renderer import Renderer, render_picture
from vision_rom.synthetic.scene import make_room
from vision_rom.synthetic.solids import Solids

SMALL = {"width_px": 120, "height_px": 160}
GREEN = (20, 230, 30)


def ball(middle, radius, colour=GREEN) -> Figure:
    """A ball in the air instead of a person."""
    solids = Solids()
    solids.ball(middle, [radius] * 3, colour)
    faces = np.concatenate(solids.faces).astype(np.int32)
    return Figure(
        vertices_m=np.concatenate(solids.vertices).astype(np.float32),
        faces=faces,
        face_colours=np.tile(np.array(colour, np.uint8), (len(faces), 1)),
        face_roughness=np.full(len(faces), 0.5, np.float32),
    )


def greenish(picture):
    """Where the green ball is seen, by colour alone."""
    red, green, blue = (picture[..., i].astype(int) for i in range(3))
    return (green > 1.8 * red + 10) & (green > 1.8 * blue + 10)


def middle_of(mask):
    rows, columns = np.nonzero(mask)
    return np.array([columns.mean() + 0.5, rows.mean() + 0.5])


@pytest.mark.parametrize(
    "camera",
    [
        Camera(**SMALL),
        Camera(view="left_side", off_plane_deg=-20, roll_deg=15, tilt_deg=-6, pan_deg=4, **SMALL),
        Camera(k1=-0.12, k2=0.01, **SMALL),
        Camera(view="back", k1=0.06, width_px=160, height_px=120),
    ],
    ids=["front", "turned", "barrel", "pincushion"],
)
def test_a_ball_is_drawn_where_the_camera_projects_it(camera):
    size = np.array([camera.width_px, camera.height_px])
    ray = np.array([*camera.undistort((size * [0.68, 0.3] - size / 2) / camera.focal_px), 1.0])
    middle = 2.6 * ray @ camera.rotation + camera.position_m
    figure = ball(middle, 0.15)
    picture = Renderer(make_room(2), camera).draw([figure])
    assert picture.shape == (camera.height_px, camera.width_px, 3)
    outline = camera.project(figure.vertices_m)[0]
    drawn = middle_of(greenish(picture))
    np.testing.assert_allclose(drawn, (outline.min(axis=0) + outline.max(axis=0)) / 2, atol=0.8)


def test_the_nearer_of_two_people_hides_the_other():
    camera = Camera(**SMALL)
    near, far = ball([0, -0.6, 1.1], 0.12), ball([0, 0.3, 1.1], 0.2, (230, 20, 20))
    renderer = Renderer(make_room(2), camera)
    for order in ([near, far], [far, near]):
        picture = renderer.draw(order)
        assert greenish(picture)[80, 60]
        row = picture[80].astype(int)
        assert np.any(row[:, 0] > 2 * row[:, 1])


def test_what_stands_behind_a_wall_is_not_seen():
    room, camera = make_room(2), Camera(**SMALL)
    renderer = Renderer(room, camera)
    behind = float(room.vertices_m[:, 1].max()) + 0.5
    np.testing.assert_array_equal(greenish(renderer.draw([ball([0, behind, 1.1], 0.2)])), greenish(renderer.draw([])))


def test_a_renderer_keeps_nothing_of_the_last_picture():
    """Two people drawn in turn look as they do alone."""
    room, camera = make_room(4), Camera(**SMALL)
    one, other = ball([0.2, 0, 1.3], 0.2), ball([-0.2, 0, 1.0], 0.1, (230, 20, 20))
    renderer = Renderer(room, camera)
    renderer.draw([one, other])
    renderer.draw([other])
    np.testing.assert_array_equal(renderer.draw([one]), Renderer(room, camera).draw([one]))


def test_people_darken_the_floor_they_stand_over():
    room, camera = make_room(4), Camera(height_m=1.6, tilt_deg=-15, **SMALL)
    renderer = Renderer(room, camera)
    feet = camera.project([[0.0, 0.0, 0.0]])[0][0].astype(int)
    floor = np.s_[feet[1] - 2 : feet[1] + 3, feet[0] - 2 : feet[0] + 3]
    bright = renderer.draw([])[floor].mean()
    assert renderer.draw([ball([0, 0, 0.5], 0.3)])[floor].mean() < 0.95 * bright


def test_depth_is_metres_along_the_axis():
    mesh = Mesh(np.array([[0, 1, 2]]), 3)
    mesh.update(vertices_m=np.array([[-5, 2.5, -5], [5, 2.5, -5], [0, 2.5, 8]]), colours=np.full((3, 3), 77, np.uint8))
    view = Pinhole(np.zeros(3), np.array([[1.0, 0, 0], [0, 0, -1], [0, 1, 0]]), 0.5, 40, 30)
    drawing = rasteriser().draw([mesh], view)
    np.testing.assert_allclose(drawing.depth_m, 2.5, rtol=1e-4)
    assert np.all(drawing.rgb == 77)
    part = rasteriser().draw([mesh], view, (slice(4, 10), slice(6, 20)))
    np.testing.assert_array_equal(part.depth_m, drawing.depth_m[4:10, 6:20])


def test_motion_blur_spreads_a_moving_ball_over_its_path():
    camera = Camera(**SMALL)
    renderer = Renderer(make_room(2), camera)
    start, end = ball([-0.2, 0, 1.1], 0.1), ball([0.2, 0, 1.1], 0.1)
    still, moving = renderer.draw([start]), renderer.draw_moving([start], [end])
    empty = renderer.draw([])
    touched = [np.ptp(np.nonzero(np.abs(p.astype(int) - empty).max(axis=(0, 2)) > 12)[0]) for p in (still, moving)]
    path_px = 0.4 * camera.focal_px / camera.distance_m
    assert touched[1] - touched[0] == pytest.approx(path_px, abs=6)
    np.testing.assert_array_equal(renderer.draw_moving([start], [start]), still)


def test_single_pictures_are_repeatable():
    camera, room, phone = Camera(**SMALL), make_room(3), Phone(noise=4.0, jpeg_quality=70)
    first, again, other = (
        render_picture([ball([0, 0, 1.1], 0.2)], camera, room, phone, np.random.default_rng(seed)) for seed in (1, 1, 2)
    )
    np.testing.assert_array_equal(first, again)
    assert np.any(first != other)


def test_a_single_picture_does_not_depend_on_the_ones_before_it():
    """The same dressed person in another pose just before changes nothing, not even the folds of the cloth."""
    camera, room, phone = Camera(**SMALL), make_room(3), Phone(noise=0.0)
    person = make_person(2)
    arms_down, arms_out = (person.figure(PoseParameters(left=ArmPose(elevation_deg=a))) for a in (5.0, 90.0))

    def picture(figure):
        return render_picture([figure], camera, room, phone, np.random.default_rng(0))

    first = picture(arms_out)
    picture(arms_down)
    np.testing.assert_array_equal(picture(arms_out), first)
