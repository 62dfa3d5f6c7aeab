"""Tracks that several tests look at, found once."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from vision_rom.clip import open_clip
from vision_rom.handover import PoseTrack
from vision_rom.pose import PoseSettings, track_patient


def track_of(path: Path, settings: PoseSettings | None = None) -> PoseTrack:
    """Track the patient of a recording."""
    with open_clip(path) as reader:
        return track_patient(reader, width_px=reader.width_px, height_px=reader.height_px, settings=settings)


@pytest.fixture(scope="session")
def track(sample_clips: Path) -> PoseTrack:
    """The patient of the sample clip, as the smaller network sees them."""
    found = track_of(sample_clips / "pose_1.mp4")
    for array in (found.landmarks_px, found.visibility, found.world_m):
        array.setflags(write=False)
    return found


@pytest.fixture(scope="session")
def keraal(outside_data: Path) -> np.ndarray:
    """A take of the KERAAL data set (Nguyen et al., IJCNN 2024) as landmarks (n, 33, 3) in pixels of 960 x 540.

    One arm is raised after the other (exercise ELK), found by another version of the same family of networks.
    """
    import json

    text = (outside_data / "keraal" / "G3-BP-ELK-P1T1-Unknown-C-0.json").read_text()
    positions = json.loads(text)["positions"]
    order = sorted(positions, key=float)
    shares = np.array([list(positions[number].values()) for number in order])
    return shares * (960.0, 540.0, 960.0)
