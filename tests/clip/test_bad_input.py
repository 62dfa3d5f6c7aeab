"""Every way in which a file can be wrong ends in one sentence that names the file and says what to do."""

from __future__ import annotations

import os
import random
import socket
import threading
import zipfile
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from vision_rom.clip import decoding, frame_at, open_clip, sha256_of
from vision_rom.clip.sound import loudness_of
from vision_rom.errors import ClipDamaged, ClipEmpty, ClipError, ClipMissing, NoPicture, NotAVideo


def refusal(path: Path | str, kind: type[ClipError]) -> str:
    """The sentence with which a path is refused, by both ways in, checked for its form."""
    with pytest.raises(ClipError) as caught:
        open_clip(path)
    assert type(caught.value) is kind, f"{type(caught.value).__name__}: {caught.value}"
    with pytest.raises(kind):
        frame_at(path, index=0)
    sentence = str(caught.value)
    assert sentence.endswith(".")
    assert "\n" not in sentence
    assert len(sentence) < 320
    assert caught.value.__cause__ is None
    assert caught.value.exit_code == 3
    return sentence


def test_missing_file(tmp_path):
    sentence = refusal(tmp_path / "nowhere.mp4", ClipMissing)
    assert "nowhere.mp4" in sentence
    assert tmp_path.name in sentence


def test_missing_folder(tmp_path):
    assert "clip.mp4" in refusal(tmp_path / "no" / "such" / "clip.mp4", ClipMissing)


def test_a_file_where_a_folder_is_named(tmp_path):
    (tmp_path / "clip.mp4").write_bytes(b"x")
    refusal(tmp_path / "clip.mp4" / "inner.mp4", ClipMissing)


def test_folder(tmp_path):
    assert "is a folder" in refusal(tmp_path, ClipMissing)


def test_empty_path():
    refusal("", ClipMissing)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_pipe_does_not_hang(tmp_path):
    os.mkfifo(tmp_path / "pipe.mp4")
    assert "no ordinary file" in refusal(tmp_path / "pipe.mp4", ClipMissing)


def test_no_right_to_read(record, monkeypatch):
    """The right is taken away by hand, because the tests may run as a user that may read everything."""
    path = record(pictures=1)

    def refuse(self: Path, *_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "open", refuse)
    assert "may not be read" in refusal(path, ClipMissing)


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="this user may read everything")
def test_no_right_to_read_for_real(record):
    path = record(pictures=1)
    path.chmod(0)
    assert "may not be read" in refusal(path, ClipMissing)


@pytest.mark.parametrize("length", [300, 5000])
def test_very_long_name(tmp_path, length):
    sentence = refusal(tmp_path / ("ü" * length + ".mp4"), ClipMissing)
    assert "short path" in sentence


def test_name_with_a_nul_character(tmp_path):
    assert "a?b.mp4" in refusal(tmp_path / "a\0b.mp4", ClipMissing)


def test_name_with_a_line_break_gives_one_line(tmp_path):
    assert "a?b.mp4" in refusal(tmp_path / "a\nb.mp4", ClipMissing)


def test_links_in_a_circle(tmp_path):
    (tmp_path / "a.mp4").symlink_to(tmp_path / "b.mp4")
    (tmp_path / "b.mp4").symlink_to(tmp_path / "a.mp4")
    refusal(tmp_path / "a.mp4", ClipMissing)


def test_0_bytes(tmp_path):
    (tmp_path / "zero.mp4").touch()
    assert "0 bytes" in refusal(tmp_path / "zero.mp4", ClipEmpty)


def test_index_missing(record):
    """A phone that ran out of battery; a copy that stopped half way (jhj0517/Whisper-WebUI #415)."""
    path = record(pictures=30)
    whole = path.read_bytes()
    assert whole.rindex(b"moov") > len(whole) // 2
    path.write_bytes(whole[: len(whole) // 2])
    assert "no index" in refusal(path, ClipDamaged)


def test_half_an_index_is_told(record):
    path = record(pictures=30, container_options={"movflags": "faststart"})
    whole = path.read_bytes()
    path.write_bytes(whole[: whole.index(b"stbl") + 8])
    with pytest.raises(ClipError, match=r"clip\.mp4"):
        open_clip(path)


def test_nothing_but_damage(record):
    path = record(pictures=10, container_options={"movflags": "faststart"})
    whole = bytearray(path.read_bytes())
    start = whole.rindex(b"mdat") + 4
    whole[start:] = bytes(len(whole) - start)
    path.write_bytes(whole)
    assert "no picture in it can be decoded" in refusal(path, ClipDamaged)


def test_a_recording_without_a_picture(tmp_path):
    path = tmp_path / "none.mov"
    with av.open(path, "w") as container:
        stream = container.add_stream("mjpeg", rate=30)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuvj420p"
        container.start_encoding()
    assert "neither pictures nor sound" in refusal(path, ClipEmpty)


def test_a_picture_stream_without_a_picture(tmp_path):
    path = tmp_path / "sound.mkv"
    with av.open(path, "w") as container:
        pictures = container.add_stream("mjpeg", rate=30)
        pictures.width, pictures.height, pictures.pix_fmt = 64, 48, "yuvj420p"
        sound = container.add_stream("pcm_s16le", rate=16000, layout="mono")
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.int16), format="s16", layout="mono")
        frame.sample_rate, frame.pts = 16000, 0
        container.mux(sound.encode(frame))
    assert "without a single picture" in refusal(path, ClipEmpty)


def test_an_index_without_the_pictures_it_lists(record):
    path = record(pictures=30, container_options={"movflags": "faststart"})
    whole = path.read_bytes()
    path.write_bytes(whole[: whole.rindex(b"mdat") + 4])
    assert "no picture in it can be decoded" in refusal(path, ClipDamaged)


@pytest.mark.parametrize(
    ("name", "codec"), [("a.m4a", "aac"), ("a.mp3", "mp3"), ("a.wav", "pcm_s16le"), ("a.webm", "libopus")]
)
def test_sound_only(tmp_path, name, codec):
    path = tmp_path / name
    with av.open(path, "w") as container:
        stream = container.add_stream(codec, rate=48000, layout="mono")
        sound = np.random.default_rng(1).uniform(-0.5, 0.5, (1, 48000)).astype(np.float32)
        frame = av.AudioFrame.from_ndarray(sound, format="fltp", layout="mono")
        frame.sample_rate = 48000
        resampler = av.AudioResampler(stream.format, stream.layout, stream.rate, frame_size=stream.frame_size or None)
        for part in [*resampler.resample(frame), *resampler.resample(None)]:
            container.mux(stream.encode(part))
        container.mux(stream.encode(None))
    assert "no moving picture" in refusal(path, NoPicture)


def test_a_cover_is_no_moving_picture(tmp_path):
    path = tmp_path / "song.m4a"
    with av.open(path, "w", format="mp4") as container:
        stream = container.add_stream("aac", rate=16000, layout="mono")
        cover = container.add_stream("mjpeg", rate=1)
        cover.width, cover.height, cover.pix_fmt = 32, 32, "yuvj420p"
        cover.disposition = av.stream.Disposition.attached_pic
        picture = av.VideoFrame.from_ndarray(np.zeros((32, 32, 3), np.uint8)).reformat(format="yuvj420p")
        container.mux(cover.encode(picture))
        container.mux(cover.encode(None))
        for block in range(8):
            frame = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), format="fltp", layout="mono")
            frame.sample_rate, frame.pts = 16000, 1024 * block
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    refusal(path, NoPicture)


@pytest.mark.parametrize("codec", ["mjpeg", "png", "gif", "bmp", "tiff"])
@pytest.mark.parametrize("suffix", ["jpg", "mp4"])
def test_a_picture_is_no_recording(tmp_path, codec, suffix):
    encoder = av.CodecContext.create(codec, "w")
    encoder.width, encoder.height = 64, 48
    encoder.pix_fmt = {"mjpeg": "yuvj420p", "gif": "bgr8", "bmp": "bgr24"}.get(codec, "rgb24")
    encoder.time_base = Fraction(1, 25)
    frame = av.VideoFrame.from_ndarray(np.full((48, 64, 3), 90, np.uint8)).reformat(format=encoder.pix_fmt)
    packets = [*encoder.encode(frame), *encoder.encode(None)]
    data = b"".join(bytes(packet) for packet in packets)
    if codec == "gif" and not data.startswith(b"GIF"):
        data = b"GIF89a" + data
    path = tmp_path / f"picture.{suffix}"
    path.write_bytes(data)
    assert "is a picture" in refusal(path, NotAVideo)


def test_a_picture_in_the_box_structure_of_a_recording(tmp_path):
    path = tmp_path / "photo.heic"
    path.write_bytes(b"\0\0\0\x18ftypheic\0\0\0\0mif1heic" + bytes(200))
    assert "is a picture" in refusal(path, NotAVideo)


def random_bytes(seed: int, count: int) -> bytes:
    return random.Random(seed).randbytes(count)


@pytest.mark.parametrize(
    "content",
    [
        b"x",
        b"This is a letter, not a recording.\n" * 50,
        b"%PDF-1.7\n" + b"obj " * 400,
        b"\x00" * 4096,
        b"\xff" * 4096,
        random_bytes(1, 20000),
        random_bytes(2, 20000),
        b"1\n00:00:01,000 --> 00:00:02,000\nWords\n\n",
    ],
    ids=["one byte", "text", "pdf", "zeros", "ones", "noise 1", "noise 2", "subtitles"],
)
def test_something_else(tmp_path, content):
    path = tmp_path / "clip.mp4"
    path.write_bytes(content)
    assert "not a recording" in refusal(path, NotAVideo)


def test_an_archive(tmp_path, record):
    path = tmp_path / "clips.mp4"
    with zipfile.ZipFile(path, "w") as archive:
        archive.write(record("inner.mp4", pictures=2))
    refusal(path, NotAVideo)


@pytest.fixture
def listener():
    """A local server that notes whether anybody knocks."""
    knocks: list[object] = []
    server = socket.create_server(("127.0.0.1", 0))
    server.settimeout(5)

    def wait() -> None:
        try:
            connection, address = server.accept()
        except OSError:
            return
        knocks.append(address)
        connection.close()

    thread = threading.Thread(target=wait)
    thread.start()
    yield server.getsockname()[1], knocks
    server.close() if not thread.is_alive() else None
    with socket.create_connection(server.getsockname(), timeout=5) if thread.is_alive() else socket.socket():
        pass
    thread.join()
    server.close()


@pytest.mark.parametrize("suffix", ["m3u8", "mp4", "sdp", "mpd", "ffconcat"])
def test_a_file_cannot_make_the_reader_call_out(tmp_path, listener, suffix):
    """A play list that names an address is refused, and the address is never asked."""
    port, knocks = listener
    address = f"http://127.0.0.1:{port}/x.ts"
    lists = {
        "sdp": f"v=0\no=- 0 0 IN IP4 127.0.0.1\ns=x\nc=IN IP4 127.0.0.1\nt=0 0\nm=video {port} RTP/AVP 96\n",
        "mpd": f"<?xml version='1.0'?><MPD xmlns='urn:mpeg:dash:schema:mpd:2011' type='static'><BaseURL>{address}"
        "</BaseURL></MPD>",
        "ffconcat": f"ffconcat version 1.0\nfile '{address}'\n",
    }
    hls = f"#EXTM3U\n#EXT-X-TARGETDURATION:5\n#EXTINF:5,\n{address}\n#EXT-X-ENDLIST\n"
    path = tmp_path / f"clip.{suffix}"
    path.write_text(lists.get(suffix, hls))
    refusal(path, NotAVideo)
    assert loudness_of(path) is None
    assert knocks == []


def test_an_address_is_taken_for_the_name_of_a_file(listener):
    port, knocks = listener
    refusal(f"http://127.0.0.1:{port}/x.mp4", ClipMissing)
    assert knocks == []


def test_pictures_larger_than_can_be_decoded_safely(record, monkeypatch):
    path = record(pictures=2, name="giant.mp4")
    monkeypatch.setattr(decoding, "LARGEST_PICTURE_PX", 64 * 48 - 1)
    sentence = refusal(path, ClipError)
    assert "64 x 48 px" in sentence
    assert "export it" in sentence


def test_the_file_is_let_go_after_a_refusal(tmp_path, record):
    if not Path("/proc/self/fd").exists():
        pytest.skip("this system does not list open files")

    def open_files() -> int:
        return len(os.listdir("/proc/self/fd"))

    good = record(pictures=3)
    bad = tmp_path / "bad.mp4"
    bad.write_bytes(random_bytes(3, 5000))
    before = open_files()
    for _ in range(5):
        refusal(bad, NotAVideo)
        with open_clip(good) as reader:
            next(iter(reader))  # left in the middle
    assert open_files() == before


def test_checksum_of_a_known_text(tmp_path):
    """FIPS 180-2, appendix B.1: the three letters abc."""
    path = tmp_path / "abc"
    path.write_bytes(b"abc")
    assert sha256_of(path) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    path.write_bytes(b"abcd")
    assert sha256_of(path).startswith("88d4266f")  # FIPS test vector list of NIST: abcd


def test_checksum_of_a_missing_file(tmp_path):
    with pytest.raises(ClipMissing, match="cannot be read"):
        sha256_of(tmp_path / "none")
