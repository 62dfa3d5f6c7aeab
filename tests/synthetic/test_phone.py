"""Each setting of the phone does what its name says, on plain pictures whose answer is known."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from vision_rom.errors import UsageError
from vision_rom.synthetic.phone import LOW_LIGHT, Phone, draw_phone, photograph

PERFECT = {"noise": 0.0, "blur_px": 0.0, "vignette": 0.0, "sharpening": 0.0}


def grey(value=128, shape=(120, 160)):
    return np.full((*shape, 3), value, np.uint8)


def rng():
    return np.random.default_rng(1)


def test_a_perfect_phone_changes_nothing():
    picture = rng().integers(0, 256, (60, 80, 3), dtype=np.uint8)
    np.testing.assert_array_equal(photograph(picture, Phone(**PERFECT), rng()), picture)


def test_one_stop_doubles_the_light():
    """The screen's curve is a power of 2.2 (IEC 61966-2-1 is close to it): twice the light is 2 ** (1 / 2.2) the value."""
    seen = photograph(grey(100), Phone(**PERFECT, exposure_ev=1.0), rng())
    assert seen.mean() == pytest.approx(100 * 2 ** (1 / 2.2), abs=0.6)


def test_noise_has_the_strength_asked_for_and_no_bias():
    seen = photograph(grey(128, (400, 400)), Phone(**PERFECT | {"noise": 6.0}), rng()).astype(float)
    assert seen.std() == pytest.approx(6.0, rel=0.05)
    assert seen.mean() == pytest.approx(128, abs=0.5)


def test_noise_differs_from_picture_to_picture_and_repeats_with_the_seed():
    phone, generator = Phone(**PERFECT | {"noise": 6.0}), rng()
    first, second = photograph(grey(), phone, generator), photograph(grey(), phone, generator)
    assert np.corrcoef(first.ravel().astype(float), second.ravel().astype(float))[0, 1] < 0.1
    np.testing.assert_array_equal(first, photograph(grey(), phone, rng()))


def test_warmth_raises_red_and_lowers_blue():
    red, green, blue = photograph(grey(), Phone(**PERFECT, warmth=0.2), rng()).reshape(-1, 3).mean(axis=0)
    assert red > green > blue


def test_corners_lose_light():
    seen = photograph(grey(200), Phone(**PERFECT | {"vignette": 0.3}), rng())
    assert seen[0, 0, 0] == pytest.approx(140, abs=2)
    assert seen[60, 80, 0] == pytest.approx(200, abs=1)


def test_blur_spreads_a_point_by_its_standard_deviation():
    """Against OpenCV's own second moments of the blurred point."""
    picture = np.zeros((41, 41, 3), np.uint8)
    picture[20, 20] = 255
    spot = cv2.moments(photograph(picture, Phone(**PERFECT | {"blur_px": 1.2}), rng())[..., 0])
    assert np.sqrt(spot["mu20"] / spot["m00"]) == pytest.approx(1.2, rel=0.1)


def test_compression_keeps_the_colours_in_their_places():
    picture = grey()
    picture[:, :80] = (200, 60, 30)
    seen = photograph(picture, Phone(**PERFECT, jpeg_quality=90), rng())
    np.testing.assert_allclose(seen[60, 40], (200, 60, 30), atol=6)


def test_low_light_is_darker_and_noisier():
    good, dim = photograph(grey(), Phone(), rng()), photograph(grey(), LOW_LIGHT, rng())
    assert dim.mean() < 0.8 * good.mean()
    assert dim[50:70, 70:90].std() > 2 * good[50:70, 70:90].std()


def test_drawn_phones_are_valid_and_differ():
    generator = rng()
    assert len({draw_phone(generator) for _ in range(50)}) == 50


def test_an_impossible_phone_is_refused():
    with pytest.raises(UsageError, match="noise lies between"):
        Phone(noise=-1)
