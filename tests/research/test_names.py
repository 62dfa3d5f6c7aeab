"""What the package promises by name is there, in whatever order it is asked for."""

from __future__ import annotations

import subprocess
import sys

import pytest

from vision_rom import research


@pytest.mark.parametrize(
    "before",
    ["pass", "from vision_rom.measure import measure_landmarks", "import vision_rom.measure", "vision_rom.measure"],
)
def test_measure_is_callable_whatever_was_imported_before(before):
    line = f"import vision_rom; {before}; print(callable(vision_rom.measure)); vision_rom.measure('absent.mp4')"
    found = subprocess.run([sys.executable, "-c", line], capture_output=True, text=True, check=False)
    assert found.stdout == "True\n"
    assert "ClipMissing" in found.stderr


def test_every_name_loads():
    for name in research.__all__:
        assert callable(getattr(research, name))
    assert dir(research) == sorted(research.__all__)
    with pytest.raises(AttributeError, match="no_such"):
        research.no_such  # noqa: B018


def test_what_one_clip_needs_does_not_load_the_table_library():
    line = "import sys, vision_rom.measure, vision_rom.cli.app; print([m for m in ('pyarrow', 'distributed', 'ezc3d') if m in sys.modules])"
    found = subprocess.run([sys.executable, "-c", line], capture_output=True, text=True, check=True)
    assert found.stdout == "[]\n"


def test_a_missing_library_is_named_with_its_line(monkeypatch):
    from vision_rom.errors import InstallationError
    from vision_rom.research.libraries import pyarrow

    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(InstallationError, match=r'pip install "vision-rom\[research\]"'):
        pyarrow()
