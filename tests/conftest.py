"""What every test may ask for."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

HERE = Path(__file__).parent


@pytest.fixture(scope="session")
def outside_data() -> Path:
    """Folder of third-party data that is committed; its README names every source."""
    return HERE / "outside_data"


@pytest.fixture(scope="session")
def outside_pictures() -> Path:
    """Folder of third-party clips and pictures that may be used but not copied into the project."""
    root = os.environ.get("VISION_ROM_OUTSIDE_DATA")
    if not root:
        pytest.skip("VISION_ROM_OUTSIDE_DATA names no folder with the third-party pictures")
    folder = Path(root) / "keypoint_clips"
    if not folder.is_dir():
        pytest.skip(f"{folder} does not exist")
    return folder


@pytest.fixture(scope="session")
def sample_clips() -> Path:
    """The clips that the README measures."""
    return HERE.parent / "sample_clips"
