"""What the methods say of a clip, on landmarks that are projected from the truth."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from vision_rom.handover import SIDES, Clip, Landmark, PoseModel, PoseTrack
from vision_rom.proof.cases import ProofCase, quick_set
from vision_rom.proof.methods import FAULTLESS, METHODS, PIPELINE, PLAIN, SeenClip
from vision_rom.proof.run import row_of
from vision_rom.synthetic.synth import truth_of
from vision_rom.synthetic.truth_file import ClipTruth

PARTS = {"shoulder": "shoulder", "elbow": "elbow", "wrist": "wrist", "hip": "hip", "index": "knuckle", "eye": "eye"}


def perfect(case: ProofCase, truth: ClipTruth) -> SeenClip:
    """What a faultless network would give: the joint centres themselves."""
    camera = case.description.camera
    n = len(truth.time_s)
    pixels, world = np.full((n, 33, 3), np.nan), np.full((n, 33, 3), np.nan)
    middle = (truth.joints_m["left_hip"] + truth.joints_m["right_hip"]) / 2
    for side in SIDES:
        for part, joint in PARTS.items():
            mark, name = Landmark.of(side, part), f"{side}_{joint}"
            pixels[:, mark, :2] = truth.joints_px[name]
            world[:, mark] = (truth.joints_m[name] - middle) @ camera.rotation.T
    nose = (truth.joints_px["left_eye"] + truth.joints_px["right_eye"]) / 2
    pixels[:, Landmark.NOSE, :2] = nose
    clip = Clip(
        path=Path(f"{case.name}.mp4"),
        sha256="0" * 64,
        duration_s=float(truth.time_s[-1]),
        frames_decoded=n,
        frame_rate_hz=case.description.rate_hz,
        variable_frame_rate=False,
        rotation_deg=0,
        mirrored=False,
        width_px=camera.width_px,
        height_px=camera.height_px,
    )
    track = PoseTrack(
        time_s=truth.time_s,
        frame_index=np.arange(n),
        landmarks_px=pixels,
        visibility=np.ones((n, 33)),
        world_m=world,
        width_px=camera.width_px,
        height_px=camera.height_px,
        model=PoseModel("full", "0" * 64, "none"),
    )
    return SeenClip(case, clip, track, truth)


@pytest.mark.parametrize("case", [c for c in quick_set() if c.movement == "abduction" and c.view == "front"][:2])
def test_faultless_landmarks_give_nearly_the_true_angle(case: ProofCase) -> None:
    """From the wanted view and without the network's errors only perspective and the trunk's definition are left."""
    truth = truth_of(case.description)
    seen = perfect(case, truth)
    for name, limit in ((PIPELINE, 6.0), (PLAIN, 16.0)):
        outcome = METHODS[name](seen)
        assert outcome is not None
        row = row_of(case, truth, outcome, model="full", method=name, seconds=0.0, pictures=len(seen.track.time_s))
        assert row.status == "measured", row.reason
        assert abs(row.error_deg) < limit


def test_plain_angle_does_not_exist_for_rotations() -> None:
    for case in quick_set():
        truth = truth_of(case.description)
        outcome = METHODS[PLAIN](perfect(case, truth))
        assert (outcome is None) == ("rotation" in case.movement)


def test_refusal_keeps_its_reason() -> None:
    case = quick_set()[0]
    seen = perfect(case, truth_of(case.description))
    seen.track.landmarks_px[:] = np.nan
    outcome = METHODS[PIPELINE](seen)
    assert outcome is not None
    assert np.isnan(outcome.value_deg)
    assert "person" in outcome.reason


def test_true_points_take_the_place_of_bad_ones_and_nothing_else_changes() -> None:
    case = quick_set()[0]
    seen = perfect(case, truth_of(case.description))
    expected = METHODS[PIPELINE](seen)
    assert expected is not None
    for side in SIDES:
        seen.track.landmarks_px[:, Landmark.of(side, "elbow"), 1] += 6.0
    spoilt, mended = METHODS[PIPELINE](seen), METHODS[FAULTLESS](seen)
    assert spoilt is not None
    assert mended is not None
    assert mended.value_deg == pytest.approx(expected.value_deg)
    assert abs(spoilt.value_deg - expected.value_deg) > 2.0
