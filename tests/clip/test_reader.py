"""Times, order, count, orientation and size of pictures read from recordings made here.

Rows of the list of known faults of video libraries are named by their public threads.
"""

from __future__ import annotations

import shutil
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace

import av
import numpy as np
import pytest

from vision_rom.clip import frame_at, open_clip, sha256_of
from vision_rom.clip.decoding import Decoder
from vision_rom.errors import UsageError
from vision_rom.handover import Clip, Frame

ONE = 1 << 16
UPRIGHT = ("top_left", "top_right", "bottom_left", "bottom_right")
# a b u / c d v / x y w of ISO/IEC 14496-12, and what the corners of the stored picture become
MATRICES = {
    "upright": ((1, 0, 0, 1), 0, False, UPRIGHT),
    "90": ((0, 1, -1, 0), 90, False, ("bottom_left", "top_left", "bottom_right", "top_right")),
    "180": ((-1, 0, 0, -1), 180, False, ("bottom_right", "bottom_left", "top_right", "top_left")),
    "270": ((0, -1, 1, 0), 270, False, ("top_right", "bottom_right", "top_left", "bottom_left")),
    "flip": ((-1, 0, 0, 1), 0, True, ("top_right", "top_left", "bottom_right", "bottom_left")),
    "upside down flip": ((1, 0, 0, -1), 180, True, ("bottom_left", "bottom_right", "top_left", "top_right")),
    "transposed": ((0, 1, 1, 0), 90, True, ("top_left", "bottom_left", "top_right", "bottom_right")),
}


def read(path: Path, **options: object) -> tuple[list[Frame], Clip]:
    with open_clip(path, **options) as reader:
        frames = list(reader)
    return frames, reader.clip()


def test_every_picture_comes_once_with_its_own_time(record, drawn):
    frames, clip = read(record(pictures=40))
    assert [drawn.read_number(frame.rgb) for frame in frames] == list(range(40))
    assert [frame.index for frame in frames] == list(range(40))
    np.testing.assert_allclose([frame.time_s for frame in frames], np.arange(40) / 30, atol=1e-9)
    assert (clip.frames_decoded, clip.frames_declared) == (40, 40)
    assert clip.duration_s == pytest.approx(40 / 30)
    assert clip.duration_declared_s == pytest.approx(40 / 30, abs=0.001)
    assert clip.frame_rate_hz == pytest.approx(30)
    assert (clip.remarks, clip.gaps_s, clip.variable_frame_rate, clip.speeds_trusted) == ((), (), False, True)
    assert clip.codec == "h264"


@pytest.mark.parametrize("name", MATRICES)
def test_turn_and_flip_of_the_container_are_applied(record, drawn, name):
    """opencv/opencv #15499 and #22088, PyAV-Org/PyAV #1047: sideways, upside down, or mirrored without notice."""
    (a, b, c, d), rotation_deg, mirrored, corners = MATRICES[name]
    matrix = [a * ONE, b * ONE, 0, c * ONE, d * ONE, 0, 0, 0, 1 << 30]
    path = record(pictures=2, display_matrix=matrix)
    with open_clip(path) as reader:
        size_before = (reader.width_px, reader.height_px)
        frames = list(reader)
    clip = reader.clip()
    assert drawn.corner_names(frames[0].rgb) == corners
    assert frames[0].rgb.flags.c_contiguous
    assert frames[0].rgb.shape == (size_before[1], size_before[0], 3)
    assert size_before == (drawn.size_px if rotation_deg % 180 == 0 else drawn.size_px[::-1])
    assert (clip.rotation_deg, clip.mirrored) == (rotation_deg, mirrored)
    assert any("left and right exchanged" in remark for remark in clip.remarks) == mirrored


@pytest.mark.parametrize("name", MATRICES)
def test_a_selfie_recording_is_flipped_back_whatever_its_turn(record, name):
    """The picture of a mirrored recording equals the plain one with its columns reversed."""
    (a, b, c, d), rotation_deg, mirrored, _ = MATRICES[name]
    matrix = [a * ONE, b * ONE, 0, c * ONE, d * ONE, 0, 0, 0, 1 << 30]
    path = record(pictures=2, display_matrix=matrix)
    plain, _ = read(path)
    flipped, clip = read(path, mirrored=True)
    np.testing.assert_array_equal(flipped[1].rgb, plain[1].rgb[:, ::-1])
    assert (clip.rotation_deg, clip.mirrored) == (rotation_deg, not mirrored)


def test_an_edit_list_hides_what_is_not_presented(record, recopy, drawn):
    """opencv/opencv #16821, #17257: 120 pictures stored, 84 shown."""
    whole = record(pictures=120, codec_options={"g": "120"})
    path = recopy(whole, "trimmed.mp4", shift_s=Fraction(-36, 30))
    frames, clip = read(path)
    assert [drawn.read_number(frame.rgb) for frame in frames] == list(range(36, 120))
    assert (clip.frames_decoded, clip.frames_declared) == (84, 120)
    assert (frames[0].index, frames[0].time_s) == (0, 0.0)
    assert clip.duration_s == pytest.approx(84 / 30)
    # a damaged edit list looks the same, so a trimmed recording says that it is one
    (said,) = clip.remarks
    assert said.startswith("The file counts 120 pictures and 84 came out")


@pytest.mark.parametrize("name", ["late.mp4", "late.mkv"])
def test_time_counts_from_the_first_picture(record, recopy, name):
    frames, clip = read(recopy(record(pictures=30), name, shift_s=Fraction(1, 2)))
    assert frames[0].time_s == 0.0
    assert frames[-1].time_s == pytest.approx(29 / 30, abs=0.001)
    assert clip.remarks == ()


def test_uneven_times_are_those_of_the_container(record, drawn):
    """opencv/opencv #8834, #12112: index / rate is wrong by most of a second here; the container's times are exact."""
    times_s = [Fraction(k, 30) for k in range(120) if k < 60 or k % 3 == 0]
    frames, clip = read(record(times_s=times_s))
    assert [frame.time_s for frame in frames] == pytest.approx([float(time_s) for time_s in times_s], abs=1e-9)
    assert [drawn.read_number(frame.rgb) for frame in frames] == list(range(80))
    by_counting_s = np.arange(80) * clip.duration_s / 80
    assert np.max(np.abs(by_counting_s - [float(time_s) for time_s in times_s])) > 0.3
    assert clip.variable_frame_rate
    assert not clip.speeds_trusted


def test_a_pause_is_a_gap_with_its_times(record):
    times_s = [Fraction(k, 30) + (1 if k >= 30 else 0) for k in range(60)]
    frames, clip = read(record(times_s=times_s))
    assert frames[-1].time_s == pytest.approx(float(times_s[-1]))
    assert clip.gaps_s == (pytest.approx((29 / 30, 2.0)),)
    assert not clip.variable_frame_rate
    assert clip.speeds_trusted
    assert any("from 0.97 s to 2.00 s" in remark for remark in clip.remarks)


def test_a_ramp_into_slow_motion_is_told(record):
    """Row of mifi/lossless-cut #2556: real time, then eight times slower, then real time again."""
    steps_s = [Fraction(1, 240)] * 96 + [Fraction(8, 240)] * 30 + [Fraction(1, 240)] * 96
    times_s = [sum(steps_s[:k], Fraction(0)) for k in range(len(steps_s))]
    path = record(times_s=times_s, rate_hz=240)
    frames, clip = read(path, wanted_rate_hz=None)
    assert [frame.time_s for frame in frames] == pytest.approx([float(time_s) for time_s in times_s], abs=1e-4)
    assert not clip.speeds_trusted
    [remark] = [remark for remark in clip.remarks if "slow motion" in remark]
    assert "240 per second from 0.00 s to 0.4" in remark
    assert "30 per second from 0.4" in remark


def test_the_time_factor_turns_recorded_into_real_seconds(record):
    """240 pictures a second, stored to be played at 30: one recorded second is an eighth of a real one."""
    frames, clip = read(record(pictures=64), time_factor=0.125)
    assert [frame.index for frame in frames] == [0, 8, 16, 24, 32, 40, 48, 56]
    np.testing.assert_allclose([frame.time_s for frame in frames], np.arange(8) / 30, atol=1e-9)
    assert clip.frame_rate_hz == pytest.approx(240)
    assert clip.duration_s == pytest.approx(64 / 240)
    assert clip.time_factor == 0.125
    assert clip.remarks == ()


def test_240_pictures_a_second_are_thinned_by_time(record, drawn):
    frames, clip = read(record(pictures=120, rate_hz=240))
    assert [frame.index for frame in frames] == list(range(0, 120, 8))
    assert [drawn.read_number(frame.rgb) for frame in frames] == list(range(0, 120, 8))
    assert (clip.frames_decoded, clip.frames_thinned) == (120, 105)
    assert clip.frame_rate_hz == pytest.approx(240)
    everything, _ = read(record(pictures=120, rate_hz=240), wanted_rate_hz=None)
    assert len(everything) == 120


def test_equal_time_stamps_are_dropped_and_told(record):
    """google-ai-edge/mediapipe #4769, #5099: 1200 pictures a second collide in a container that counts milliseconds."""
    times_s = [Fraction(k, 1200) for k in range(60)]
    path = record(
        "fast.mkv", times_s=times_s, rate_hz=1200, codec="mjpeg", pix_fmt="yuvj420p", time_base=Fraction(1, 1200)
    )
    with av.open(path) as container:
        stored = [frame.pts for frame in container.decode(video=0)]
    assert len(set(stored)) < len(stored)  # else this test would prove nothing
    frames, clip = read(path, wanted_rate_hz=None)
    assert all(earlier.time_s < later.time_s for earlier, later in pairwise(frames))
    assert len(frames) == len(set(stored))
    assert clip.frames_decoded == 60
    [remark] = [remark for remark in clip.remarks if "time stamps" in remark]
    assert f"{60 - len(frames)} equal" in remark


def test_backward_time_stamps_are_dropped_and_told(record, recopy, drawn):
    intra = record("plain.mkv", pictures=10, codec="mjpeg", pix_fmt="yuvj420p", time_base=Fraction(1, 30))

    def restamp(number: int, packet: av.Packet) -> None:
        shown = [0, 1, 2, 6, 5, 7, 8, 9, 10, 11][number]
        packet.pts, packet.dts = shown * 100, number  # in whole milliseconds, the decoding order untouched
        packet.time_base = Fraction(1, 1000)

    frames, clip = read(recopy(intra, "backward.mkv", restamp=restamp))
    assert [drawn.read_number(frame.rgb) for frame in frames] == [0, 1, 2, 3, 5, 6, 7, 8, 9]
    assert [frame.index for frame in frames] == [0, 1, 2, 3, 5, 6, 7, 8, 9]
    assert any("1 going backwards" in remark and "0.50 s" in remark for remark in clip.remarks)


def test_a_live_recording_without_duration(record, drawn):
    """w3c/mediacapture-record #119: browsers write WebM without a duration."""
    told: list[float | None] = []
    path = record(
        "live.webm", pictures=40, codec="libvpx", time_base=Fraction(1, 1000), container_options={"live": "1"}
    )
    frames, clip = read(path, on_progress=told.append)
    assert clip.duration_declared_s is None
    assert clip.frames_declared is None
    assert clip.duration_s == pytest.approx(40 / 30, abs=0.002)
    assert clip.frame_rate_hz == pytest.approx(30, rel=0.002)
    assert [drawn.read_number(frame.rgb) for frame in frames] == list(range(40))
    assert clip.remarks == ()
    assert told[-1] == 1.0
    assert len(told) > 5
    assert all(0 <= fraction <= 1 for fraction in told)


def test_progress_never_falls_and_ends_at_one(record):
    told: list[float] = []
    read(record(pictures=30), on_progress=told.append)
    assert told == sorted(told)
    assert told[-1] == 1.0
    assert len(told) > 10


def test_a_clip_before_the_end_is_refused(record):
    with open_clip(record(pictures=5)) as reader:
        with pytest.raises(RuntimeError, match="read to the end"):
            reader.clip()
        next(iter(reader))
        with pytest.raises(RuntimeError, match="read to the end"):
            reader.clip()


def test_reading_twice_is_refused(record):
    with open_clip(record(pictures=3)) as reader:
        list(reader)
        with pytest.raises(RuntimeError, match="read once"):
            list(reader)


def test_one_picture_alone(record):
    frames, clip = read(record(pictures=1))
    assert len(frames) == 1
    assert clip.frames_decoded == 1
    assert np.isnan(clip.frame_rate_hz)
    assert clip.duration_s == pytest.approx(1 / 30, abs=0.001)


def test_pictures_of_8_by_8_pixels(record):
    frames, clip = read(record(pictures=3, size_px=(8, 8), paint=lambda _: np.full((8, 8, 3), 90, np.uint8)))
    assert [frame.rgb.shape for frame in frames] == [(8, 8, 3)] * 3
    assert (clip.width_px, clip.height_px) == (8, 8)


def test_8k_is_reduced_and_told(record):
    big = np.full((4320, 7680, 3), 80, np.uint8)
    big[:, :3840] = 200
    path = record(
        pictures=1, size_px=(7680, 4320), paint=lambda _: big, codec="mjpeg", pix_fmt="yuvj420p", name="eight.mov"
    )
    frames, clip = read(path)
    assert frames[0].rgb.shape == (1080, 1920, 3)
    assert (clip.width_px, clip.height_px) == (1920, 1080)
    assert abs(int(frames[0].rgb[500, 100, 0]) - 200) <= 3
    assert abs(int(frames[0].rgb[500, 1800, 0]) - 80) <= 3
    assert any("7680 x 4320 px were reduced to 1920 x 1080 px" in remark for remark in clip.remarks)


def test_pixels_that_are_not_square_are_stretched(record, drawn):
    path = record(pictures=2, tags={"sample_aspect_ratio": Fraction(4, 3)})
    frames, clip = read(path)
    assert frames[0].rgb.shape == (48, 85, 3)  # 64 x 4/3
    assert drawn.corner_names(frames[0].rgb) == UPRIGHT
    assert (clip.width_px, clip.height_px) == (85, 48)


def painted_as_jpeg(width: int, height: int, level: int) -> bytes:
    encoder = av.CodecContext.create("mjpeg", "w")
    assert isinstance(encoder, av.VideoCodecContext)
    encoder.width, encoder.height, encoder.pix_fmt, encoder.time_base = width, height, "yuvj420p", Fraction(1, 30)
    frame = av.VideoFrame.from_ndarray(np.full((height, width, 3), level, np.uint8)).reformat(format="yuvj420p")
    return b"".join(bytes(packet) for packet in [*encoder.encode(frame), *encoder.encode(None)])


def test_a_picture_that_changes_in_mid_recording(tmp_path):
    """Browsers lower the resolution when the line is slow, and turn the picture when the phone is turned."""
    sizes_px = [(64, 48)] * 3 + [(32, 24)] * 3 + [(48, 64)] * 2 + [(64, 48)] * 2
    path = tmp_path / "changing.mkv"
    with av.open(path, "w") as container:
        stream = container.add_stream("mjpeg", rate=30)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuvj420p"
        for number, size_px in enumerate(sizes_px):
            packet = av.Packet(painted_as_jpeg(*size_px, level=20 * number))
            packet.stream, packet.pts, packet.dts, packet.time_base = stream, number, number, Fraction(1, 30)
            packet.is_keyframe = True
            container.mux(packet)
    frames, clip = read(path)
    assert [frame.index for frame in frames] == [0, 1, 2, 3, 4, 5, 8, 9]
    assert {frame.rgb.shape for frame in frames} == {(48, 64, 3)}
    assert [round(float(frame.rgb.mean()) / 20) for frame in frames] == [0, 1, 2, 3, 4, 5, 8, 9]
    assert any("2 pictures of another shape" in remark for remark in clip.remarks)


def test_what_lies_before_time_0_of_an_mp4_is_not_presented():
    """ISO/IEC 14496-12: the presentation starts at 0; stand-ins, because no muxer here leaves such pictures visible."""
    frames = [
        SimpleNamespace(pts=pts, dts=pts, duration=1, is_corrupt=False, key_frame=True) for pts in (-2, -1, 0, 1, 2)
    ]
    packet = SimpleNamespace(pts=0, pos=0, is_corrupt=False)

    def pictures(format_name: str) -> list[tuple[int, float]]:
        container = SimpleNamespace(format=SimpleNamespace(name=format_name), demux=lambda _: [packet])
        context = SimpleNamespace(thread_count=1)
        stream = SimpleNamespace(time_base=Fraction(1, 10), codec_context=context, decode=lambda _: frames)
        return [(picture.index, picture.container_s) for picture in Decoder(container, stream)]

    assert pictures("mov,mp4,m4a,3gp,3g2,mj2") == [(0, 0.0), (1, 0.1), (2, 0.2)]
    assert pictures("mpegts") == [(0, -0.2), (1, -0.1), (2, 0.0), (3, 0.1), (4, 0.2)]


@pytest.mark.parametrize("folder", ["Übung Schulter", "плечо", "肩の検査", "a b's (1)", "http:"])
def test_any_name_of_folder_and_file(record, tmp_path, folder):
    """opencv/opencv #4242, opencv/opencv-python #700."""
    path = tmp_path / folder / f"{folder} é.mp4"
    path.parent.mkdir()
    shutil.copy(record(pictures=3), path)
    frames, clip = read(path)
    assert len(frames) == 3
    assert clip.path == path
    assert clip.sha256 == sha256_of(path)


def test_a_relative_name_that_looks_like_an_address_is_a_file(record, tmp_path, monkeypatch):
    record("http:x.mp4", pictures=3)
    monkeypatch.chdir(tmp_path)
    assert len(read(Path("http:x.mp4"))[0]) == 3


@pytest.mark.parametrize(
    "options",
    [
        {"time_factor": 0.0},
        {"time_factor": float("nan")},
        {"wanted_rate_hz": 0.0},
        {"wanted_rate_hz": -30.0},
        {"longest_side_px": 0},
    ],
)
def test_senseless_numbers_are_refused(record, options):
    with pytest.raises(UsageError, match="must be"):
        open_clip(record(pictures=1), **options)


class TestFrameAt:
    MATRIX = (0, ONE, 0, -ONE, 0, 0, 0, 0, 1 << 30)

    @pytest.fixture
    def path(self, record):
        return record(pictures=60, codec_options={"g": "20", "bf": "2"}, display_matrix=self.MATRIX)

    @pytest.mark.parametrize("wanted", [0, 1, 19, 20, 37, 59])
    @pytest.mark.parametrize("mirrored", [False, True])
    def test_is_the_very_picture_of_the_reader(self, path, wanted, mirrored):
        frames, _ = read(path, mirrored=mirrored, time_factor=0.5, wanted_rate_hz=None)
        expected = frames[wanted]
        for choice in (
            {"index": wanted},
            {"time_s": expected.time_s + 0.004},
            {"index": wanted, "time_s": expected.time_s},
        ):
            found = frame_at(path, mirrored=mirrored, time_factor=0.5, **choice)
            assert (found.index, found.time_s) == (expected.index, pytest.approx(expected.time_s))
            np.testing.assert_array_equal(found.rgb, expected.rgb)

    def test_a_wrong_time_beside_the_index_does_not_mislead(self, path, drawn):
        found = frame_at(path, index=30, time_s=0.123)
        assert drawn.read_number(np.rot90(found.rgb)) == 30
        assert found.time_s == pytest.approx(1.0)

    def test_after_an_edit_list(self, record, recopy, drawn):
        path = recopy(record("long.mp4", pictures=90, codec_options={"g": "30"}), "cut.mp4", shift_s=Fraction(-36, 30))
        for choice in ({"index": 10}, {"time_s": 10 / 30}, {"index": 10, "time_s": 10 / 30}):
            assert drawn.read_number(frame_at(path, **choice).rgb) == 46

    @pytest.mark.parametrize("choice", [{"index": 60}, {"index": -1}, {"time_s": 9.0}, {"time_s": -1.0}, {}])
    def test_what_is_not_there_is_refused(self, path, choice):
        with pytest.raises(UsageError):
            frame_at(path, **choice)
