"""``vision-rom filming`` on real recordings."""

from __future__ import annotations

from pathlib import Path

import av
import numpy as np
import pytest

from vision_rom.cli.app import run


def test_well_filmed_clip(sample_clips: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["filming", str(sample_clips / "demo_abduction_right.mp4"), "--seconds", "2"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("View: front")
    assert "fine" in out


def test_nobody_in_the_dark(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "night.mp4"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=10)
        stream.width, stream.height, stream.pix_fmt = 160, 160, "yuv420p"
        for _ in range(20):
            container.mux(stream.encode(av.VideoFrame.from_ndarray(np.full((160, 160, 3), 12, np.uint8), "rgb24")))
        container.mux(stream.encode())
    assert run(["filming", str(path)]) == 4
    out = capsys.readouterr().out
    assert "No person was found" in out
    assert "dark" in out


def test_missing_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["filming", str(tmp_path / "none.mp4")]) == 3
    assert "none.mp4" in capsys.readouterr().err
