"""The command as a function: files at the end, nothing half-written when it is stopped."""

from __future__ import annotations

from pathlib import Path

import pytest

from vision_rom.cli.prove import prove_command
from vision_rom.proof import run
from vision_rom.proof.methods import METHODS


def test_one_clip_of_the_quick_set_from_beginning_to_end(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("vtk")
    out = tmp_path / "out"
    code = prove_command(quick=True, cache=tmp_path / "kept", out=out, model="full", every=12)
    assert code == 0
    assert "| no |" in (shown := capsys.readouterr().out) or "| yes |" in shown
    assert str(out) in shown
    page = (out / "page.md").read_text()
    assert "`vision-rom prove --quick --every 12`" in page
    assert "ai-edge-litert" in page
    # the pipeline, the angle in the picture, the plain baseline, and the true joint centres
    assert len((out / "errors.csv").read_text().splitlines()) == 1 + len(METHODS)
    assert list((tmp_path / "kept" / "clips").glob("*.mp4"))


def test_stopping_while_rendering_leaves_nothing_half_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("vtk")

    def stop(progress: object, done: int, clip: str, doing: str, share: float | None) -> None:
        if share is not None and share > 0.1:
            raise KeyboardInterrupt

    monkeypatch.setattr(run, "_show", stop)
    out = tmp_path / "out"
    with pytest.raises(KeyboardInterrupt):
        prove_command(quick=True, cache=tmp_path / "kept", out=out, model="full", every=12)
    assert not out.exists()
    assert [path for path in (tmp_path / "kept").rglob("*") if path.is_file()] == []
