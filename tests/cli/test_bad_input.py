"""Every kind of bad input ends with its own sentence and a documented exit code, and leaves nothing behind."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import av
import numpy as np
import pytest

from vision_rom.cli.app import run

Outcome = tuple[int, str]
Run = Callable[..., Outcome]


@pytest.fixture
def ends(capsys: pytest.CaptureFixture[str]) -> Run:
    """Run the command and return its exit code and the one line it printed on stderr."""

    def measure(*arguments: object) -> Outcome:
        code = run(["measure", *map(str, arguments)])
        printed = capsys.readouterr()
        assert "Traceback" not in printed.err
        return code, printed.err.strip()

    return measure


def video(path: Path, *, frames: int = 8, size: tuple[int, int] = (160, 120), sound_only: bool = False) -> Path:
    with av.open(str(path), "w") as container:
        if sound_only:
            stream = container.add_stream("aac", rate=44100, layout="mono")
            for start in range(4):
                sound = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), format="fltp", layout="mono")
                sound.sample_rate, sound.pts = 44100, start * 1024
                container.mux(stream.encode(sound))
            container.mux(stream.encode(None))
            return path
        stream = container.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = *size, "yuv420p"
        for index in range(frames):
            grey = np.full((size[1], size[0], 3), 60 + index, np.uint8)
            container.mux(stream.encode(av.VideoFrame.from_ndarray(grey, format="rgb24")))
        container.mux(stream.encode(None))
    return path


def nothing_left(folder: Path, *kept: Path) -> bool:
    return sorted(folder.iterdir()) == sorted(kept)


def test_missing_file(ends: Run, tmp_path: Path) -> None:
    code, sentence = ends(tmp_path / "no such clip.mp4")
    assert code == 3
    assert "no such clip.mp4" in sentence
    assert nothing_left(tmp_path)


def test_empty_file(ends: Run, tmp_path: Path) -> None:
    clip = tmp_path / "empty.mp4"
    clip.touch()
    code, sentence = ends(clip)
    assert code == 3
    assert "empty.mp4" in sentence
    assert nothing_left(tmp_path, clip)


def test_not_a_video(ends: Run, tmp_path: Path) -> None:
    clip = tmp_path / "letter.mp4"
    clip.write_text("Dear colleague, " * 200)
    code, sentence = ends(clip)
    assert code == 3
    assert "letter.mp4" in sentence


def test_sound_only(ends: Run, tmp_path: Path) -> None:
    code, sentence = ends(video(tmp_path / "voice.m4a", sound_only=True))
    assert code == 3
    assert "voice.m4a" in sentence


def test_missing_index_of_a_cut_recording(ends: Run, tmp_path: Path) -> None:
    whole = video(tmp_path / "whole.mp4", frames=30).read_bytes()
    clip = tmp_path / "cut.mp4"
    # the index is written last, so a cut file has none
    clip.write_bytes(whole[: len(whole) // 2])
    code, sentence = ends(clip)
    assert code == 3
    assert "cut.mp4" in sentence


def test_a_folder_is_no_recording(ends: Run, tmp_path: Path) -> None:
    code, sentence = ends(tmp_path)
    assert code == 3
    assert str(tmp_path.name) in sentence


def test_five_sentences_are_five_sentences(ends: Run, tmp_path: Path) -> None:
    """Each fault is told apart from the others."""
    (tmp_path / "a.mp4").touch()
    (tmp_path / "b.mp4").write_text("Dear colleague, " * 200)
    video(tmp_path / "c.m4a", sound_only=True)
    (tmp_path / "d.mp4").write_bytes(video(tmp_path / "w.mp4", frames=30).read_bytes()[:1500])
    said = [ends(tmp_path / name)[1] for name in ("a.mp4", "b.mp4", "c.m4a", "missing.mp4", "d.mp4")]
    without_names = {sentence.translate({ord(c): None for c in "abcd"}) for sentence in said}
    assert len(without_names) == 5


def test_very_long_name(ends: Run, tmp_path: Path) -> None:
    code, sentence = ends(tmp_path / ("x" * 300 + ".mp4"))
    assert code == 3
    assert sentence


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (["--movement", "cartwheel"], "abduction"),
        (["--side", "upper"], "left"),
        (["--model", "huge"], "full"),
        (["--time-factor", "0"], "0"),
        (["--person", "0"], "person"),
    ],
)
def test_wrong_options_name_what_is_allowed(ends: Run, tmp_path: Path, arguments: list[str], word: str) -> None:
    code, sentence = ends(video(tmp_path / "clip.mp4"), *arguments)
    assert code == 2
    assert word in sentence


@pytest.mark.parametrize("size", [(8, 8), (160, 120)])
def test_nobody_in_view_is_told_in_the_document(ends: Run, tmp_path: Path, size: tuple[int, int]) -> None:
    clip = video(tmp_path / "Straße 東京.mp4", size=size)
    code, _ = ends(clip)
    assert code == 4
    assert "No person was found" in (tmp_path / "Straße 東京.reading" / "reading.json").read_text(encoding="utf-8")


def test_one_picture(ends: Run, tmp_path: Path) -> None:
    code, _ = ends(video(tmp_path / "single.mp4", frames=1))
    assert code == 4


def test_results_that_cannot_be_written(ends: Run, tmp_path: Path) -> None:
    in_the_way = tmp_path / "file"
    in_the_way.write_text("not a folder")
    code, sentence = ends(video(tmp_path / "clip.mp4"), "--out", in_the_way)
    assert code == 5
    assert "file" in sentence
    assert in_the_way.read_text() == "not a folder"


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs a device that is always full")
def test_full_disk(ends: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = Path.write_text

    def full(self: Path, *args: object, **kwargs: object) -> int:
        if self.name == "reading.json":
            with open("/dev/full", "w") as device:
                device.write("x" * 100_000)
        return real(self, *args, **kwargs)  # type: ignore[arg-type]

    monkeypatch.setattr(Path, "write_text", full)
    clip = video(tmp_path / "clip.mp4")
    code, sentence = ends(clip)
    assert code == 5
    assert "No space left" in sentence
    assert nothing_left(tmp_path, clip)


@pytest.mark.parametrize("who", ["nobody", "0", "-1", "1.5"])
def test_a_person_who_is_neither_a_number_nor_a_role(ends: Run, tmp_path: Path, who: str) -> None:
    clip = video(tmp_path / "clip.mp4")
    code, sentence = ends(clip, f"--person={who}")
    assert code == 2
    assert "follower" in sentence
    assert nothing_left(tmp_path, clip)


def test_a_sequence_that_does_not_exist(ends: Run, tmp_path: Path) -> None:
    clip = video(tmp_path / "clip.mp4")
    code, sentence = ends(clip, "--sequence", tmp_path / "none.toml")
    assert code == 2
    assert "shoulder_active" in sentence
    assert nothing_left(tmp_path, clip)


def test_nobody_who_copies_anybody(ends: Run, tmp_path: Path) -> None:
    clip = video(tmp_path / "clip.mp4")
    code, _ = ends(clip, "--person", "follower")
    # nobody at all is to be seen, and that is what is told
    assert code == 4
