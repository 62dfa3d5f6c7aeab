"""Offsets of landmarks from true joint centres, by landmarks that are put at known places."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from vision_rom.handover import SIDES, Landmark, PoseModel, PoseTrack
from vision_rom.proof.cases import full_set
from vision_rom.proof.landmarks import PARTS, offsets_of, offsets_table
from vision_rom.synthetic.synth import truth_of


@pytest.mark.parametrize("view", ["front", "side"])
def test_landmarks_moved_by_a_known_share_of_the_trunk_are_found_so(view: str) -> None:
    case = next(case for case in full_set() if case.view == view)
    case = replace(case, description=replace(case.description, rate_hz=2.0))
    truth = truth_of(case.description)
    n = len(truth.time_s)
    shoulders = (truth.joints_px["left_shoulder"] + truth.joints_px["right_shoulder"]) / 2
    hips = (truth.joints_px["left_hip"] + truth.joints_px["right_hip"]) / 2
    trunk = np.linalg.norm(hips - shoulders, axis=1)
    points = np.full((n, 33, 3), np.nan)
    for side in SIDES:
        for part in PARTS:
            # away from the body's middle on either side, and upwards
            outward = 1.0 if side == "left" else -1.0
            moved = np.column_stack([outward * 0.03 * trunk, -0.04 * trunk])
            points[:, Landmark.of(side, part), :2] = truth.joints_px[f"{side}_{part}"] + moved
    track = PoseTrack(
        time_s=truth.time_s,
        frame_index=np.arange(n),
        landmarks_px=points,
        visibility=np.ones((n, 33)),
        world_m=points,
        width_px=384,
        height_px=512,
        model=PoseModel("full", "0" * 64, "none"),
    )
    found = list(offsets_of(case, truth, track, model="full"))
    assert {one.side for one in found} == ({case.side} if view == "side" else set(SIDES))
    table = offsets_table(found)
    assert len(table) == len(PARTS) * (1 if view == "side" else 2)
    for row in table:
        assert row[5:] == ("5.0", "5.0", "5.0")


def test_nobody_found_gives_no_row() -> None:
    case = full_set()[0]
    truth = truth_of(replace(case.description, rate_hz=1.0))
    n = len(truth.time_s)
    nothing = np.full((n, 33, 3), np.nan)
    track = PoseTrack(
        time_s=truth.time_s,
        frame_index=np.arange(n),
        landmarks_px=nothing,
        visibility=nothing[..., 0],
        world_m=nothing,
        width_px=384,
        height_px=512,
        model=PoseModel("full", "0" * 64, "none"),
    )
    assert offsets_table(offsets_of(case, truth, track, model="full")) == []
