"""The rule for colours: values of the standards, order and greys by relation, and means pinned through a real file."""

from __future__ import annotations

import av
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision_rom.clip import open_clip
from vision_rom.clip.colour import (
    ColourRule,
    bt709_signal,
    colour_rule,
    hlg_scene_light,
    pq_display_light_cd_m2,
    rgb8_from_hdr,
    rgb_from_codes,
    shoulder,
)

HLG = ColourRule("BT.2020", full_range=False, transfer="HLG", assumed_matrix=False)
PQ = ColourRule("BT.2020", full_range=False, transfer="PQ", assumed_matrix=False)
# ITU-T H.273 code points
BT709, BT601, BT2020_NCL, UNSPECIFIED, PQ_CODE, HLG_CODE = 1, 6, 9, 2, 16, 18


def one_pixel(luma: int, cb: int, cr: int, rule: ColourRule) -> list[int]:
    planes = [np.full((1, 1), code, np.uint16) for code in (luma, cb, cr)]
    return rgb8_from_hdr(*planes, rule)[0, 0].tolist()


def grey(percent: float, rule: ColourRule) -> int:
    red, green, blue = one_pixel(round(64 + 8.76 * percent), 512, 512, rule)
    assert red == green == blue
    return red


def test_transfer_functions_give_the_levels_of_the_standard():
    """Report ITU-R BT.2408, table 1: white (203 cd/m2) at 58 % PQ and 75 % HLG; 18 % grey (26 cd/m2) at 38 %."""
    assert pq_display_light_cd_m2(np.array(0.58)) == pytest.approx(203, rel=0.02)
    assert pq_display_light_cd_m2(np.array(0.38)) == pytest.approx(26, rel=0.05)
    assert pq_display_light_cd_m2(np.array(1.0)) == pytest.approx(10000)
    assert pq_display_light_cd_m2(np.array(0.0)) == 0
    # ITU-R BT.2100-2, table 5: the two branches meet at signal 1/2 = light 1/12, and 1 is 1
    np.testing.assert_allclose(
        hlg_scene_light(np.array([0.0, 0.5, 0.5 + 1e-9, 1.0])), [0, 1 / 12, 1 / 12, 1], atol=1e-6
    )
    assert hlg_scene_light(np.array(0.38)) / hlg_scene_light(np.array(0.75)) == pytest.approx(0.18, rel=0.02)
    # ITU-R BT.709-6: 18 % grey is signal 0.409
    assert bt709_signal(np.array(0.18)) == pytest.approx(0.409, abs=0.001)


def test_18_percent_grey_is_as_bright_as_without_hdr():
    expected = 255 * 0.409
    assert grey(38, HLG) == pytest.approx(expected, abs=3)
    assert grey(38, PQ) == pytest.approx(expected, abs=6)


@pytest.mark.parametrize(
    ("rule", "percents", "levels"),
    [
        (HLG, (0, 20, 38, 50, 75, 100), (0, 48, 105, 141, 235, 255)),
        (PQ, (0, 20, 38, 58, 75, 100), (0, 40, 108, 238, 255, 255)),
    ],
    ids=["HLG", "PQ"],
)
def test_levels_are_pinned(rule, percents, levels):
    """A change of these is a change of the rule, and of every reading taken from such recordings."""
    assert [grey(percent, rule) for percent in percents] == list(levels)


@pytest.mark.parametrize("rule", [HLG, PQ], ids=["HLG", "PQ"])
def test_brighter_never_becomes_darker(rule):
    codes = np.arange(64, 941, dtype=np.uint16)[None, :]
    chroma = np.full_like(codes, 512)
    ramp = rgb8_from_hdr(codes, chroma, chroma, rule)[0, :, 0].astype(int)
    assert np.all(np.diff(ramp) >= 0)
    assert (ramp[0], ramp[-1]) == (0, 255)
    assert np.diff(ramp).max() <= 2  # no banding coarser than the source's own steps


@given(st.integers(0, 1023), st.integers(0, 1023), st.integers(0, 1023))
def test_any_code_gives_a_colour(luma, cb, cr):
    for rule in (HLG, PQ):
        assert all(0 <= level <= 255 for level in one_pixel(luma, cb, cr, rule))


@given(st.floats(0.0, 100.0), st.floats(1.2, 50.0))
def test_the_shoulder_keeps_order_and_leaves_the_dark_alone(light, peak):
    bent = float(shoulder(np.array(light), peak))
    assert 0 <= bent <= 1 + 1e-12
    if light <= 0.7:
        assert bent == light
    assert float(shoulder(np.array(light + 0.01), peak)) >= bent
    assert float(shoulder(np.array(peak), peak)) == pytest.approx(1.0)


def test_a_colour_of_bt709_keeps_its_hue():
    """A pure BT.709 colour coded in BT.2020 HLG comes back with its other channels near zero.

    Light of BT.709 red in BT.2020 primaries: first column of ITU-R BT.2087-0, M2.
    """
    light = 0.18 * np.array([0.6274, 0.0691, 0.0164]) * float(hlg_scene_light(np.array(0.75)))
    signal = np.sqrt(3 * light)  # HLG OETF below 1/12
    luma = np.array([0.2627, 0.678, 0.0593]) @ signal
    cb, cr = (signal[2] - luma) / 1.8814, (signal[0] - luma) / 1.4746
    red, green, blue = one_pixel(round(64 + 876 * luma), round(512 + 896 * cb), round(512 + 896 * cr), HLG)
    assert red == pytest.approx(255 * 0.409, abs=2)
    assert green <= 12
    assert blue <= 12


def test_strips_do_not_show():
    random = np.random.default_rng(3)
    planes = [random.integers(0, 1024, (37, 11)).astype(np.uint16) for _ in range(3)]
    whole = rgb8_from_hdr(*planes, HLG)
    for row in range(37):
        np.testing.assert_array_equal(rgb8_from_hdr(*(plane[row : row + 1] for plane in planes), HLG)[0], whole[row])


@pytest.mark.parametrize(
    ("tags", "height_px", "expected"),
    [
        ((BT709, BT709, BT709), 240, ("BT.709", "SDR", False)),
        ((BT601, BT601, BT601), 1080, ("BT.601", "SDR", False)),
        ((UNSPECIFIED, UNSPECIFIED, UNSPECIFIED), 480, ("BT.601", "SDR", True)),
        ((UNSPECIFIED, UNSPECIFIED, UNSPECIFIED), 720, ("BT.709", "SDR", True)),
        ((UNSPECIFIED, UNSPECIFIED, 9), 480, ("BT.2020", "SDR", True)),
        ((BT2020_NCL, HLG_CODE, 9), 1080, ("BT.2020", "HLG", False)),
        ((UNSPECIFIED, PQ_CODE, UNSPECIFIED), 1080, ("BT.2020", "PQ", True)),
        ((BT2020_NCL, 14, 9), 1080, ("BT.2020", "SDR", False)),
    ],
)
def test_the_rule_follows_the_tags(tags, height_px, expected):
    matrix, transfer, primaries = tags
    rule = colour_rule(matrix=matrix, transfer=transfer, primaries=primaries, full_range=False, height_px=height_px)
    assert (rule.matrix, rule.transfer, rule.assumed_matrix) == expected
    sentence = rule.sentence()
    assert expected[0] in sentence
    assert ("assumed" in sentence) == expected[2]


def yuv_picture(pix_fmt: str, luma: int, cb: int, cr: int) -> av.VideoFrame:
    frame = av.VideoFrame(64, 64, pix_fmt)
    kind = np.uint16 if "10" in pix_fmt else np.uint8
    for plane, code in zip(frame.planes, (luma, cb, cr), strict=True):
        plane.update(np.full((plane.height, plane.line_size // kind().itemsize), code, kind).tobytes())
    return frame


@pytest.mark.parametrize(("transfer", "name", "rule"), [(HLG_CODE, "HLG", HLG), (PQ_CODE, "PQ", PQ)])
@pytest.mark.parametrize("codes", [(397, 512, 512), (721, 512, 512), (450, 480, 560)])
def test_hevc_10_bit_from_the_file_to_the_array(record, transfer, name, rule, codes):
    """opencv/opencv #24185, PyAV-Org/PyAV #2192: the same file gave colours 41 levels apart."""
    path = record(
        f"{name}.mp4",
        pictures=5,
        size_px=(64, 64),
        codec="libx265",
        pix_fmt="yuv420p10le",
        codec_options={"x265-params": "log-level=none:qp=0", "preset": "ultrafast"},
        tags={"color_primaries": 9, "color_trc": transfer, "colorspace": BT2020_NCL, "color_range": 1},
        paint=lambda _: yuv_picture("yuv420p10le", *codes),
    )
    with open_clip(path) as reader:
        frames = list(reader)
    clip = reader.clip()
    assert clip.codec == "hevc"
    assert name in clip.colour
    assert "BT.2020 matrix, limited range" in clip.colour
    assert np.unique(frames[0].rgb.reshape(-1, 3), axis=0).tolist() == [one_pixel(*codes, rule)]


@pytest.mark.parametrize(
    ("pix_fmt", "matrix", "full", "codes", "expected"),
    [
        # R'G'B' by hand from the weights of BT.709 and BT.601 (ITU-R BT.709-6, BT.601-7)
        ("yuv420p", BT709, False, (100, 150, 112), (69.1, 101.6, 144.3)),
        ("yuv420p", BT601, False, (100, 150, 112), (72.3, 102.1, 142.2)),
        ("yuv420p", BT709, True, (100, 150, 112), (74.8, 103.4, 140.8)),
        ("yuv420p", BT709, False, (235, 128, 128), (255, 255, 255)),
        ("yuv420p10le", BT709, False, (400, 600, 448), (69.1, 101.6, 144.3)),
        ("yuv420p10le", BT709, False, (940, 512, 512), (255, 255, 255)),
    ],
)
def test_standard_range_from_the_file_to_the_array(record, pix_fmt, matrix, full, codes, expected):
    path = record(
        pictures=1,
        size_px=(64, 64),
        pix_fmt=pix_fmt,
        codec_options={"qp": "0"},
        tags={"colorspace": matrix, "color_range": 2 if full else 1, "color_trc": 1, "color_primaries": 1},
        paint=lambda _: yuv_picture(pix_fmt, *codes),
    )
    with open_clip(path) as reader:
        [frame] = list(reader)
    np.testing.assert_allclose(frame.rgb.reshape(-1, 3).mean(axis=0), expected, atol=1.6)
    if "10" not in pix_fmt:
        rule = colour_rule(matrix=matrix, transfer=1, primaries=1, full_range=full, height_px=64)
        assert rgb_from_codes(rule) @ (*codes, 1.0) == pytest.approx(expected, abs=0.2)
    assert ("full range" in reader.clip().colour) == full
