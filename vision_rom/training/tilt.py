"""Learn to tell a tilted phone from a recording's landmarks. Run by hand.

    python -m vision_rom.training.tilt FRAMES_FOLDER --out vision_rom/learned/camera_tilt.npz

Ridge regression for each view; people are split, and the error that is printed is of people it did not see.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np

from vision_rom.angles.camera_tilt import TILT_VIEWS, recording_features
from vision_rom.handover import Floats
from vision_rom.training.shards import load_shards, save_shard

RIDGE = 50.0
LEAST_PICTURES = 4


def ridge(features: Floats, targets: Floats) -> Floats:
    """Return the weights (f + 1,) of normalised features (n, f), the constant unpunished."""
    with_one = np.append(features, np.ones((len(features), 1)), axis=1)
    punished = RIDGE * np.eye(with_one.shape[1])
    punished[-1, -1] = 0.0
    return np.asarray(np.linalg.solve(with_one.T @ with_one + punished, with_one.T @ targets))


def sessions_table(folder: Path) -> tuple[Floats, Floats, Floats, list[str]]:
    """Return features, tilt, person and view of every session with enough pictures."""
    features, tilts, people, views = [], [], [], []
    for shard in load_shards(folder):
        for group in np.unique(shard["group"]):
            rows = np.flatnonzero((shard["group"] == group) & shard["found"])
            if len(rows) < LEAST_PICTURES:
                continue
            points, seen, world = (
                shard[name][rows].astype(float) for name in ("landmarks_px", "visibility", "world_m")
            )
            size = (int(shard["width_px"][rows[0]]), int(shard["height_px"][rows[0]]))
            features.append(recording_features(points, seen, world, picture_px=size))
            tilts.append(float(shard["tilt_deg"][rows[0]]))
            people.append(float(shard["person"][rows[0]]))
            view = str(shard["kind"][rows[0]]).split()[-1]
            views.append("side" if view.endswith("_side") else view)
    return np.array(features), np.array(tilts), np.array(people), views


def main() -> None:
    """Fit, judge on every third person, fit again on all, write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("frames", type=Path)
    parser.add_argument("--out", type=Path, required=True)
    arguments = parser.parse_args()
    features, tilts, people, views = sessions_table(arguments.frames)
    mean, scale = features.mean(axis=0), features.std(axis=0) + 1e-3
    normal = np.clip((features - mean) / scale, -6, 6)
    arrays = {"mean": mean.astype(np.float32), "scale": scale.astype(np.float32)}
    for view in TILT_VIEWS:
        chosen = np.array([one == view for one in views])
        unseen = chosen & (people % 3 == 0)
        weights = ridge(normal[chosen & ~unseen], tilts[chosen & ~unseen])
        error = np.append(normal[unseen], np.ones((unseen.sum(), 1)), axis=1) @ weights - tilts[unseen]
        print(f"{view}: {chosen.sum()} recordings, standard deviation of the error {error.std():.1f} deg")
        arrays[view] = ridge(normal[chosen], tilts[chosen]).astype(np.float32)
    save_shard(arguments.out, arrays)


if __name__ == "__main__":
    main()
