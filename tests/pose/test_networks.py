"""The networks in the package are the ones whose provenance is told."""

from __future__ import annotations

import zipfile
from importlib import resources
from io import BytesIO

import pytest

from vision_rom.errors import InstallationError
from vision_rom.pose import networks
from vision_rom.pose.settings import MODEL_NAMES


@pytest.mark.parametrize("name", MODEL_NAMES)
def test_the_network_is_whole(name):
    with zipfile.ZipFile(BytesIO(networks.read_network(name))) as bundle:
        assert set(bundle.namelist()) == {"pose_detector.tflite", "pose_landmarks_detector.tflite"}
        assert bundle.testzip() is None


@pytest.mark.parametrize("name", MODEL_NAMES)
def test_provenance_and_code_agree(name):
    told = resources.files("vision_rom.pose").joinpath("models", "MODELS.md").read_text()
    assert networks.SHA256[name] in told


@pytest.fixture
def other_package(tmp_path, monkeypatch):
    """A place where the package's files would be looked for."""
    (tmp_path / "models").mkdir()
    monkeypatch.setattr(networks.resources, "files", lambda package: tmp_path)
    return tmp_path / "models"


def test_an_altered_network_is_refused(other_package):
    content = bytearray(networks_content())
    content[len(content) // 2] ^= 1
    (other_package / "pose_full.task").write_bytes(content)
    with pytest.raises(InstallationError, match=r"pose_full\.task has been altered"):
        networks.read_network("full")


def test_a_missing_network_is_told(other_package):
    with pytest.raises(InstallationError, match=r"pose_heavy\.task cannot be read"):
        networks.read_network("heavy")


def networks_content() -> bytes:
    """The smaller network's bytes, past the replaced look-up."""
    from pathlib import Path

    import vision_rom.pose

    return (Path(vision_rom.pose.__file__).parent / "models" / "pose_full.task").read_bytes()
