from __future__ import annotations

import hashlib
import json
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest

from vision_rom.angles.arm_features import arm_features
from vision_rom.errors import InstallationError
from vision_rom.learned import load_arm_network, load_interval_factors, store

FOLDER = Path(str(files("vision_rom.learned")))


@pytest.fixture(autouse=True)
def _fresh():
    load_arm_network.cache_clear()
    load_interval_factors.cache_clear()
    yield
    load_arm_network.cache_clear()
    load_interval_factors.cache_clear()


@pytest.fixture
def elsewhere(tmp_path, monkeypatch):
    for name in (store.ARM_NETWORK_FILE, store.CALIBRATION_FILE):
        (tmp_path / name).write_bytes((FOLDER / name).read_bytes())
    monkeypatch.setattr(store, "files", lambda package: tmp_path)
    return tmp_path


def test_shipped_network_is_the_one_that_was_proved():
    assert hashlib.sha256((FOLDER / store.ARM_NETWORK_FILE).read_bytes()).hexdigest() == store.ARM_NETWORK_SHA256
    points = np.random.default_rng(0).normal(200, 60, (4, 33, 3))
    features = arm_features(points, np.ones((4, 33)), points / 500, side="left", picture_px=(400, 400))
    network = load_arm_network()
    assert network.mean.shape == (features.shape[1],)
    assert len(network.members) == 5


def test_factors_are_for_every_group_and_rest_on_enough_people():
    document = json.loads((FOLDER / store.CALIBRATION_FILE).read_text("utf-8"))
    factors = load_interval_factors()
    assert set(factors.square) == set(factors.off) == {"frontal", "sagittal", "rotation_side", "rotation_90"}
    # fewer than 19 clips cannot promise 95%
    assert min(factors.clips.values()) >= 19
    assert all(one["people"] >= 15 for one in document["groups"].values())


def test_altered_network_is_refused(elsewhere):
    content = bytearray((elsewhere / store.ARM_NETWORK_FILE).read_bytes())
    content[1000] ^= 1
    (elsewhere / store.ARM_NETWORK_FILE).write_bytes(content)
    with pytest.raises(InstallationError, match="altered"):
        load_arm_network()


@pytest.mark.parametrize(
    ("name", "load"),
    [(store.ARM_NETWORK_FILE, load_arm_network), (store.CALIBRATION_FILE, load_interval_factors)],
)
def test_missing_file_is_said(elsewhere, name, load):
    (elsewhere / name).unlink()
    with pytest.raises(InstallationError, match=f"{name} is missing"):
        load()


def test_factors_of_another_network_are_refused(elsewhere):
    path = elsewhere / store.CALIBRATION_FILE
    document = json.loads(path.read_text("utf-8"))
    path.write_text(json.dumps({**document, "arm_network_sha256": "1" * 64}), "utf-8")
    with pytest.raises(InstallationError, match="another network"):
        load_interval_factors()
