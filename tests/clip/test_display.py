"""Display matrix, turn, flip and size: truth by geometry and by relations."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from vision_rom.clip.display import (
    Orientation,
    orient,
    orientation_of,
    reduced_size,
    square_pixel_size,
    upright_size,
)

quarter_turns = st.sampled_from([0, 90, 180, 270])
orientations = st.builds(Orientation, quarter_turns, st.booleans())
pictures = st.tuples(st.integers(1, 7), st.integers(1, 7)).map(
    lambda size: np.arange(size[0] * size[1] * 3, dtype=np.uint8).reshape(*size, 3)
)


def matrix_of(turn_deg: float, *, mirrored: bool, scale: float = 1.0) -> list[float]:
    """Display matrix of a clockwise turn (y down) and then a flip, made from scipy's rotation.

    scipy turns the axes x, y, z right-handed: with x to the right and y down, a positive turn about z is clockwise on
    the screen. The columns of its matrix are the images of the axes; the display matrix holds them as rows.
    """
    turn = Rotation.from_euler("z", turn_deg, degrees=True).as_matrix()[:2, :2]
    flip = np.diag([-1.0 if mirrored else 1.0, 1.0])
    (a, b), (c, d) = scale * (flip @ turn).T
    return [a, b, 0, c, d, 0, 0, 0, 1 << 30]


@given(st.floats(0, 359.9), st.booleans(), st.floats(0.01, 1e6))
def test_any_turn_and_flip_is_read_back_whatever_its_scale(turn_deg, mirrored, scale):
    found = orientation_of(matrix_of(turn_deg, mirrored=mirrored, scale=scale))
    assert found.mirrored == mirrored
    assert (found.turned_by_deg - turn_deg + 180) % 360 - 180 == pytest.approx(0, abs=1e-6)
    off_deg = (found.rotation_deg - turn_deg + 180) % 360 - 180
    assert abs(off_deg) <= 45 + 1e-6
    assert found.rotation_deg in (0, 90, 180, 270)


@given(pictures, quarter_turns, st.booleans())
def test_pixels_go_where_the_matrix_sends_them(picture, turn_deg, mirrored):
    """Every pixel's centre, sent through the matrix by the rule of ISO/IEC 14496-12, lands on that pixel's colour."""
    matrix = np.rint(matrix_of(turn_deg, mirrored=mirrored)).astype(int)
    upright = orient(picture, orientation_of(matrix.tolist()))
    a, b, _, c, d = matrix[:5]
    height, width = picture.shape[:2]
    q, p = np.mgrid[0:height, 0:width]
    x, y = a * p + c * q, b * p + d * q
    x, y = x - x.min(), y - y.min()  # the translation only brings the picture back into view
    np.testing.assert_array_equal(upright[y, x], picture)


@given(pictures, orientations)
def test_flipping_twice_changes_nothing(picture, orientation):
    np.testing.assert_array_equal(orient(picture, orientation.flipped().flipped()), orient(picture, orientation))
    np.testing.assert_array_equal(orient(picture, orientation.flipped()), orient(picture, orientation)[:, ::-1])


@given(pictures, orientations)
def test_the_size_is_known_without_the_picture(picture, orientation):
    height, width = picture.shape[:2]
    assert orient(picture, orientation).shape[1::-1] == upright_size(width, height, orientation)


def test_no_matrix_and_a_matrix_without_area_mean_upright():
    assert orientation_of(None) == Orientation()
    assert orientation_of([0] * 9) == Orientation()
    assert orientation_of([1, 1, 0, 1, 1, 0, 0, 0, 1]) == Orientation()


def test_a_matrix_of_another_length_is_refused():
    with pytest.raises(ValueError, match="9 numbers, not 4"):
        orientation_of([1, 0, 0, 1])


@pytest.mark.parametrize(
    ("aspect", "expected"),
    [
        (None, (100, 50)),
        (Fraction(1), (100, 50)),
        (Fraction(3, 2), (150, 50)),
        (Fraction(1, 2), (100, 100)),
        (Fraction(0), (100, 50)),
        (Fraction(1000), (100, 50)),
    ],
)
def test_pixels_become_square(aspect, expected):
    assert square_pixel_size(100, 50, aspect) == expected


@given(st.integers(1, 20000), st.integers(1, 20000), st.integers(1, 4000))
def test_reduction_keeps_the_shape_and_never_enlarges(width, height, longest):
    new_width, new_height = reduced_size(width, height, longest)
    assert 1 <= new_width <= min(width, longest)
    assert 1 <= new_height <= min(height, longest)
    if max(width, height) <= longest:
        assert (new_width, new_height) == (width, height)
    else:
        assert max(new_width, new_height) == longest
        scale = longest / max(width, height)
        assert abs(new_width - width * scale) <= 1
        assert abs(new_height - height * scale) <= 1
