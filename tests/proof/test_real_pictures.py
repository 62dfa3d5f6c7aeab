"""Whether the network's points err on rendered people as they do on a real person, as far as that can be seen.

No joint centre of a real person is known here. Outside reference: the published keypoints of another network on the
clip ``pose_1.mp4`` (tensorflow/tfjs-models, pose-detection test data, Apache-2.0), which mark joints as people do.
"""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from vision_rom.handover import SIDES, Landmark
from vision_rom.measure import find_landmarks
from vision_rom.pose import PoseSettings
from vision_rom.proof.landmarks import PARTS

HERE = Path(__file__).parent


def test_distances_on_rendered_people_are_those_on_a_real_one(tmp_path: Path) -> None:
    keypoints = json.loads((HERE.parent / "outside_data" / "keypoint_clips" / "pose_1.json").read_text())
    _, track = find_landmarks(
        HERE.parents[1] / "sample_clips" / "pose_1.mp4",
        settings=PoseSettings(),
        mirrored=False,
        time_factor=1.0,
        rate_hz=6.0,
        cache=tmp_path,
        on_progress=lambda doing, share: None,
    )

    def published(name: str) -> np.ndarray:
        return np.array([[keypoints[i][name]["x"], keypoints[i][name]["y"]] for i in track.frame_index])

    shoulders, hips = ((published(f"left_{part}") + published(f"right_{part}")) / 2 for part in ("shoulder", "hip"))
    trunk = np.linalg.norm(hips - shoulders, axis=1)
    with (HERE / "results" / "landmarks.csv").open(newline="") as file:
        rendered = {
            row["landmark"]: float(row["median distance, % of trunk"])
            for row in csv.DictReader(file)
            if (row["model"], row["view"], row["whose"]) == ("full", "front", "moving arm's side")
        }
    assert len(trunk) > 15
    for part in PARTS:
        real = [
            np.linalg.norm(track.landmarks_px[:, Landmark.of(side, part), :2] - published(f"{side}_{part}"), axis=1)
            / trunk
            for side in SIDES
        ]
        # one person and one clip: the same size of distance is all that can be asked
        assert rendered[part] == pytest.approx(100 * float(np.nanmedian(real)), rel=0.6), part
