"""MediaPipe's own program: what is said where it cannot be loaded."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from vision_rom.errors import APT_LINE, InstallationError, missing_library_sentence
from vision_rom.pose import mediapipe_task

ROOT = Path(__file__).parents[2]


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="the loader's variable is Linux's")
@pytest.mark.parametrize("library", ["libEGL.so.1", "libGLESv2.so.2"])
def test_a_broken_system_library_gives_the_line_that_mends_it(tmp_path, library):
    (tmp_path / library).write_text("not a library")
    code = """
from vision_rom.errors import InstallationError
from vision_rom.pose.mediapipe_task import TaskLandmarker
from vision_rom.pose.settings import PoseSettings
try:
    TaskLandmarker(PoseSettings())
except InstallationError as error:
    print(error)
"""
    environment = {**os.environ, "LD_LIBRARY_PATH": str(tmp_path), "PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        [sys.executable, "-c", code], env=environment, capture_output=True, text=True, timeout=120, check=False
    )
    assert library in done.stdout, done.stderr
    assert APT_LINE in done.stdout
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("library", ["libGL.so.1", "libgthread-2.0.so.0"])
def test_the_loaders_complaint_becomes_a_sentence(library):
    error = ImportError(f"{library}: cannot open shared object file: No such file or directory")
    sentence = missing_library_sentence(error)
    assert sentence.startswith(f"The system library {library} is missing")
    assert sentence.endswith(APT_LINE)


def test_a_missing_package_becomes_a_sentence(monkeypatch):
    monkeypatch.setitem(sys.modules, "mediapipe", None)
    with pytest.raises(InstallationError, match=r"mediapipe is missing.*pip install .*vision-rom\[test\]"):
        mediapipe_task.load_mediapipe()
