"""What the phone wrote beside the pictures goes; the pictures, their times and their direction stay."""

from __future__ import annotations

import io
import struct
import subprocess
import sys
import zipfile
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from vision_rom.clip import open_clip
from vision_rom.errors import ClipError
from vision_rom.web import intake
from vision_rom.web.intake import LARGEST_SIDE_PX, suffix_of, take_in

WIDTH_PX, HEIGHT_PX = 64, 48
TURNED_RIGHT = (0, 65536, 0, -65536, 0, 0, 0, 0, 1073741824)
UNEVEN_S = tuple(Fraction(k, 30) + Fraction(k % 3, 90) for k in range(24))
LEAK = "Maple Street 7"


def _picture(number: int) -> np.ndarray:
    picture = np.full((HEIGHT_PX, WIDTH_PX, 3), 90, np.uint8)
    picture[:12, :12] = (220, 30, 30)
    picture[-12:, 4 + 2 * (number % 20) : 14 + 2 * (number % 20)] = 240
    return picture


def _recorded(
    path: Path,
    *,
    codec: str = "libx264",
    times_s=tuple(Fraction(k, 30) for k in range(24)),
    turned: bool = False,
    sound: str = "",
    options: dict[str, str] | None = None,
    size_px: tuple[int, int] = (WIDTH_PX, HEIGHT_PX),
    told: bool = True,
) -> Path:
    """A small recording that also tells where and with what it was made."""
    time_base = Fraction(1, 30) if path.suffix == ".avi" else Fraction(1, 90000)
    with av.open(str(path), "w", options=options or {}) as container:
        if told:
            container.metadata.update(
                title=LEAK, location="+48.2082+016.3738/", comment=LEAK, artist=LEAK, date="2026-05-04",
                creation_time="2026-05-04T10:11:12Z", make="Phonemaker", model="Phone 12",
            )  # fmt: skip
        stream = container.add_stream(codec, rate=30)
        stream.width, stream.height = size_px
        stream.pix_fmt = "yuvj420p" if codec == "mjpeg" else "yuv420p"
        stream.codec_context.time_base = time_base
        if told:
            stream.metadata.update(title=LEAK, handler_name=LEAK, language="deu", creation_time="2026-05-04T10:11:12Z")
        if turned:
            stream.set_display_matrix(TURNED_RIGHT)
        heard = container.add_stream(sound, rate=48000) if sound else None
        for number, time_s in enumerate(times_s):
            frame = av.VideoFrame.from_ndarray(_picture(number))
            frame = frame.reformat(width=size_px[0], height=size_px[1], format=stream.pix_fmt)
            frame.pts, frame.time_base = round(time_s / time_base), time_base
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
        if heard is not None:
            for block in range(24):
                frame = av.AudioFrame.from_ndarray(np.zeros((1, 960), np.float32), format="fltp", layout="mono")
                frame.sample_rate, frame.pts, frame.time_base = 48000, 960 * block, Fraction(1, 48000)
                container.mux(heard.encode(frame))
            container.mux(heard.encode(None))
    return path


def _kept(received: Path) -> Path:
    return received.with_name(f"kept{suffix_of(received)}")


def _taken_in(received: Path) -> Path:
    """Take a file in within this process, which is quicker than a limited one."""
    kept = _kept(received)
    intake.copy_without_remarks(received, kept)
    return kept


def _seen(path: Path) -> tuple[np.ndarray, list[np.ndarray], tuple[int, int]]:
    with open_clip(path) as reader:
        frames = list(reader)
        return (
            np.array([one.time_s for one in frames]),
            [one.rgb for one in frames],
            (reader.width_px, reader.height_px),
        )


def _sound(path: Path) -> list[bytes]:
    with av.open(str(path)) as container:
        return [bytes(one) for one in container.demux(container.streams.audio[0]) if one.dts is not None]


KINDS = {
    "phone.mp4": {},
    "iphone.mov": {"turned": True, "sound": "aac"},
    "turned.mp4": {"turned": True},
    "uneven.mp4": {"times_s": UNEVEN_S},
    "late.mp4": {"times_s": tuple(Fraction(7, 10) + Fraction(k, 30) for k in range(24))},
    "heard.mp4": {"sound": "aac"},
    "fragmented.mp4": {"options": {"movflags": "frag_keyframe+empty_moov"}},
    "browser.webm": {"codec": "libvpx", "sound": "libopus"},
    "uneven.webm": {"codec": "libvpx", "times_s": UNEVEN_S},
    "camera.avi": {"codec": "mjpeg"},
    "old.avi": {"codec": "mpeg4"},
    "any.mkv": {"sound": "aac"},
}


@pytest.fixture(params=KINDS)
def received(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    return _recorded(tmp_path / request.param, **KINDS[request.param])


def test_pictures_times_and_direction_stay(received: Path) -> None:
    kept = _taken_in(received)
    (before_s, before, size), (after_s, after, size_after) = _seen(received), _seen(kept)
    assert size_after == size
    assert len(after) == len(before) > 15
    np.testing.assert_allclose(after_s, before_s, atol=0.0011 if kept.suffix == ".mkv" else 1e-4)
    assert all(np.array_equal(one, other) for one, other in zip(before, after, strict=True))


def test_the_size_of_a_turned_recording_shows_that_the_fixture_turns(tmp_path: Path) -> None:
    turned = _recorded(tmp_path / "turned.mp4", turned=True)
    assert _seen(turned)[2] == _seen(_taken_in(turned))[2] == (HEIGHT_PX, WIDTH_PX)


@pytest.mark.parametrize("name", [name for name, how in KINDS.items() if "sound" in how])
def test_sound_stays_as_it_was(tmp_path: Path, name: str) -> None:
    received = _recorded(tmp_path / name, **KINDS[name])
    assert _sound(_taken_in(received)) == _sound(received) != []


def test_place_device_date_and_titles_go(received: Path) -> None:
    kept = _taken_in(received)
    content = kept.read_bytes()
    for word in (LEAK, "48.2082", "Phonemaker", "Phone 12", "2026-05-04"):
        assert word.encode() not in content
    with av.open(str(kept)) as container:
        left = {key.lower() for key in container.metadata}
        assert left <= {"major_brand", "minor_version", "compatible_brands", "encoder"}
        for stream in container.streams:
            assert set(map(str.lower, stream.metadata)) <= {
                "handler_name",
                "vendor_id",
                "language",
                "encoder",
                "duration",
            }
            assert stream.metadata.get("language", "und") in ("und", "eng")


@pytest.mark.parametrize("name", ["phone.mp4", "iphone.mov", "any.mkv"])
def test_the_fixture_holds_what_is_to_go(tmp_path: Path, name: str) -> None:
    assert LEAK.encode() in _recorded(tmp_path / name, **KINDS[name]).read_bytes()


@pytest.mark.parametrize(
    ("kind", "codec", "options", "sign"),
    [
        ("mp4", "libx264", {}, b"x264 - core"),
        ("mkv", "libx264", {}, b"x264 - core"),
        ("mp4", "libx264", {"x264-params": "open-gop=1:keyint=6:bframes=2"}, b"x264 - core"),
        ("mp4", "libx264", {"x264-params": "intra-refresh=1:keyint=6"}, b"x264 - core"),
        # AVI keeps units behind start codes, and no times of pictures shown in another order
        ("avi", "libx264", {"x264-params": "bframes=0"}, b"x264 - core"),
        ("mp4", "libx265", {"x265-params": "log-level=none"}, b"x265 (build"),
        ("mkv", "libx265", {"x265-params": "log-level=none"}, b"x265 (build"),
    ],
)
def test_what_is_written_between_the_pictures_goes(
    tmp_path: Path, kind: str, codec: str, options: dict[str, str], sign: bytes
) -> None:
    received = tmp_path / f"received.{kind}"
    with av.open(str(received), "w") as container:
        stream = container.add_stream(codec, rate=30, options=options)
        stream.width, stream.height, stream.pix_fmt = 2 * WIDTH_PX, 2 * HEIGHT_PX, "yuv420p"
        for number in range(24):
            large = np.repeat(np.repeat(_picture(number), 2, axis=0), 2, axis=1)
            container.mux(stream.encode(av.VideoFrame.from_ndarray(large).reformat(format="yuv420p")))
        container.mux(stream.encode(None))
    assert sign in received.read_bytes()
    kept = _taken_in(received)
    assert sign not in kept.read_bytes()
    (before_s, before, _), (after_s, after, _) = _seen(received), _seen(kept)
    np.testing.assert_allclose(after_s, before_s, atol=0.0011 if kept.suffix == ".mkv" else 1e-4)
    assert len(before) == 24
    assert all(np.array_equal(one, other) for one, other in zip(before, after, strict=True))
    # each unit behind its length, as browsers want it, and not behind a start code
    with av.open(str(kept)) as container:
        packets = [bytes(one) for one in container.demux(container.streams.video[0]) if one.size]
    assert all(int.from_bytes(one[:4], "big") > 1 for one in packets)


def test_tracks_of_data_subtitles_and_a_second_picture_go(tmp_path: Path) -> None:
    received = tmp_path / "tracks.mkv"
    with av.open(str(received), "w") as container:
        streams = [container.add_stream("libx264", rate=30) for _ in range(2)]
        for stream in streams:
            stream.width, stream.height, stream.pix_fmt = WIDTH_PX, HEIGHT_PX, "yuv420p"
        container.add_attachment("place.txt", "text/plain", LEAK.encode())
        container.set_chapters(
            [{"id": 1, "start": 0, "end": 500, "time_base": Fraction(1, 1000), "metadata": {"title": LEAK}}]
        )
        for stream in streams:
            for number in range(12):
                container.mux(stream.encode(av.VideoFrame.from_ndarray(_picture(number)).reformat(format="yuv420p")))
            container.mux(stream.encode(None))
    assert LEAK.encode() in received.read_bytes()
    kept = _taken_in(received)
    assert LEAK.encode() not in kept.read_bytes()
    with av.open(str(kept)) as container:
        assert [one.type for one in container.streams] == ["video"]
        assert container.chapters() == []


def test_a_copy_of_a_copy_is_the_same(tmp_path: Path) -> None:
    first = _taken_in(_recorded(tmp_path / "uneven.mp4", times_s=UNEVEN_S))
    second, third = tmp_path / "second.mp4", tmp_path / "third.mp4"
    intake.copy_without_remarks(first, second)
    intake.copy_without_remarks(second, third)
    # the first copy's header still states the bits a second of the recording with all that went
    assert third.read_bytes() == second.read_bytes()
    assert len(second.read_bytes()) == len(first.read_bytes())


# --- files that are none ------------------------------------------------------------------------------------------


def _zip() -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as file:
        file.writestr("raise.mp4", b"x" * 400)
    return buffer.getvalue()


NO_RECORDINGS = {
    "empty": b"",
    "one byte": b"\x00",
    "page": b"<!doctype html><html><script>alert(1)</script></html>",
    "drawing": b'<svg xmlns="http://www.w3.org/2000/svg"><script>alert(1)</script></svg>',
    "archive": _zip(),
    "playlist": b"#EXTM3U\n#EXT-X-VERSION:3\n#EXTINF:10,\nfile:///etc/passwd\n#EXT-X-ENDLIST\n",
    "list of files": b"ffconcat version 1.0\nfile /etc/passwd\n",
    "zeros": bytes(5000),
    "header alone": struct.pack(">I4s4sI", 16, b"ftyp", b"isom", 0),
    "playlist behind a header": struct.pack(">I4s4sI", 16, b"ftyp", b"isom", 0) + b"#EXTM3U\nfile:///etc/passwd\n",
    "box without end": struct.pack(">I4sQ", 1, b"mdat", 1 << 62) + b"x" * 100,
    "riff that is sound": b"RIFF" + struct.pack("<I", 400) + b"WAVEfmt " + bytes(400),
    "matroska header alone": b"\x1a\x45\xdf\xa3" + bytes(100),
}


@pytest.mark.parametrize("what", NO_RECORDINGS)
def test_what_is_no_recording_is_refused_in_a_sentence(tmp_path: Path, what: str) -> None:
    received = tmp_path / "received"
    received.write_bytes(NO_RECORDINGS[what])
    with pytest.raises(ClipError) as refusal:
        _taken_in(received)
    assert str(refusal.value).endswith(".")
    assert "\n" not in str(refusal.value)
    assert len(str(refusal.value)) < 300


@pytest.mark.parametrize("share", [0.3, 0.6])
def test_a_recording_whose_index_is_missing_is_refused(tmp_path: Path, share: float) -> None:
    whole = _recorded(tmp_path / "whole.mp4").read_bytes()
    received = tmp_path / "Zx81random"
    received.write_bytes(whole[: int(len(whole) * share)])
    with pytest.raises(ClipError, match=r"The file has no index|no moving pictures") as refusal:
        _taken_in(received)
    assert received.name not in str(refusal.value)


def test_a_still_picture_is_refused(tmp_path: Path) -> None:
    received = tmp_path / "still"
    received.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(200))
    with pytest.raises(ClipError, match="The file is a picture"):
        _taken_in(received)


def test_sound_alone_is_refused(tmp_path: Path) -> None:
    received = tmp_path / "sound.mp4"
    with av.open(str(received), "w") as container:
        stream = container.add_stream("aac", rate=16000)
        for block in range(8):
            frame = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), format="fltp", layout="mono")
            frame.sample_rate, frame.pts, frame.time_base = 16000, 1024 * block, Fraction(1, 16000)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    with pytest.raises(ClipError, match="no moving pictures"):
        _taken_in(received)


def test_absurd_dimensions_are_refused(tmp_path: Path) -> None:
    wide = _recorded(tmp_path / "wide.avi", codec="mjpeg", size_px=(LARGEST_SIDE_PX + 16, 16), times_s=(Fraction(0),))
    with pytest.raises(ClipError, match="pixels are not taken in"):
        _taken_in(wide)


# --- the limited process ------------------------------------------------------------------------------------------


def test_the_limited_process_keeps_what_it_copied(tmp_path: Path) -> None:
    received = _recorded(tmp_path / "phone.mp4")
    take_in(received, _kept(received))
    assert len(_seen(_kept(received))[0]) == 24


def test_the_limited_process_hands_its_sentence_on_and_leaves_nothing(tmp_path: Path) -> None:
    received = tmp_path / "page"
    received.write_bytes(NO_RECORDINGS["page"])
    with pytest.raises(ClipError, match="no video of a phone or browser") as refusal:
        take_in(received, _kept(received))
    assert "Traceback" not in str(refusal.value)
    assert not _kept(received).exists()


def test_a_file_that_takes_too_long_is_given_up(tmp_path: Path) -> None:
    received = _recorded(tmp_path / "phone.mp4")
    _kept(received).write_bytes(b"half of it")
    with pytest.raises(ClipError, match="takes too long"):
        take_in(received, _kept(received), timeout_s=0.01)
    assert not _kept(received).exists()


def _limited(what: str) -> subprocess.CompletedProcess[str]:
    code = f"from vision_rom.web import intake; intake.LONGEST_S = 1; intake._limit(); {what}"
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False)


def test_the_limits_of_memory_and_time_hold() -> None:
    assert "MemoryError" in _limited(f"bytearray({intake.MOST_MEMORY_BYTES})").stderr
    assert _limited("\nwhile True: pass").returncode < 0
    assert _limited("bytearray(1 << 20)").returncode == 0
