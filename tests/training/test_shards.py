from __future__ import annotations

import numpy as np

from vision_rom.training.shards import load_shards, save_shard


def test_shards_come_back_in_order_and_half_written_ones_do_not(tmp_path):
    for first in (200, 0, 100):
        save_shard(tmp_path / f"frames_{first:06d}.npz", {"group": np.array([first])})
    (tmp_path / "frames_000300.writing.npz").write_bytes(b"half")
    assert [int(shard["group"][0]) for shard in load_shards(tmp_path)] == [0, 100, 200]
