"""A network without its unused parts gives the same numbers, to the bit."""

from __future__ import annotations

import zipfile
from io import BytesIO

import numpy as np
import pytest

from vision_rom.pose.inference import Network
from vision_rom.pose.landmark_network import USED
from vision_rom.pose.networks import read_network, read_networks
from vision_rom.pose.settings import MODEL_NAMES
from vision_rom.pose.shortened import shortened


@pytest.mark.parametrize("model", MODEL_NAMES)
def test_what_stays_gives_the_same_numbers(model):
    with zipfile.ZipFile(BytesIO(read_network(model))) as bundle:
        content = bundle.read("pose_landmarks_detector.tflite")
    picture = np.random.default_rng(3).random((256, 256, 3), np.float32)
    whole = Network(content, name="whole", outputs=USED).run(picture)
    short = Network(shortened(content, USED), name="short", outputs=USED).run(picture)
    for name in USED:
        np.testing.assert_array_equal(short[name], whole[name])


def test_the_outline_is_gone():
    with pytest.raises(KeyError):
        Network(read_networks("full").landmarks, name="short", outputs=("Identity_2",))


def test_everything_asked_for_changes_nothing():
    content = read_networks("full").detector
    picture = np.random.default_rng(4).random((224, 224, 3), np.float32)
    names = ("Identity", "Identity_1")
    again = Network(shortened(content, names), name="again", outputs=names).run(picture)
    for name, found in Network(content, name="as it is", outputs=names).run(picture).items():
        np.testing.assert_array_equal(again[name], found)
