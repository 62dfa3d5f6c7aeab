"""A worker whose first process is gone."""

from __future__ import annotations

import multiprocessing
import os
from pathlib import Path

from vision_rom.research.manifest import BatchItem
from vision_rom.research.pool import _serve
from vision_rom.research.settings import BatchSettings


def test_a_recording_in_hand_when_the_first_process_dies_is_left_for_the_next_run(
    tmp_path: Path, sample_clips: Path
) -> None:
    """It had been written down as failed with a broken pipe, and so it stayed after the run was taken up again."""
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    work = (BatchSettings(rate_hz=4.0), sample_clips, tmp_path)
    worker = context.Process(target=_serve, args=(theirs, os.getpid(), *work), daemon=True)
    worker.start()
    theirs.close()
    ours.send(BatchItem("arm", "pose_1.mp4", movement="abduction"))
    ours.close()
    worker.join(120)
    assert not worker.is_alive()
    assert list(tmp_path.rglob("*.json")) == []
    assert list(tmp_path.rglob("*.parquet")) == []
