"""Learn the arm network from rendered frames. Run by hand; needs PyTorch, which the package itself never imports.

    python -m vision_rom.training.train FRAMES_FOLDER --out vision_rom/learned/arm_direction.npz

People are split, never frames: each member of the ensemble learns without one fold of the people and is judged on
that fold. People of the proof bench are in no fold (their seeds lie in another range, see ``training/frames.py``).
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import nn

from vision_rom.angles.arm_features import arm_features
from vision_rom.angles.arm_network import ArmNetwork, elevation_deg, predict_directions
from vision_rom.handover import SIDES
from vision_rom.training.shards import load_shards, save_shard

HIDDEN = (512, 512, 256)
N_MEMBERS = 5
N_EPOCHS = 20
BATCH = 512
HIDDEN_ARM_WEIGHT = 0.05
"""An arm behind the body is refused in use; it still shows the network what not to trust."""
LARGEST_RARITY_WEIGHT = 8.0
"""A seldom seen elevation or rotation counts at most this often, so that single pictures never decide."""
RARITY_BIN_DEG = 15.0
BENT_ELBOW_DEG = 50.0
FEATURE_NOISE = 0.03
"""Standard deviation of the noise on normalised features, against learning single bodies by heart."""


def training_table(folder: Path) -> dict[str, Any]:
    """Return features, true directions and person of every seen arm, both sides of every frame."""
    features, targets, people, kinds, hidden = [], [], [], [], []
    for shard in load_shards(folder):
        for group in np.unique(shard["group"]):
            rows = np.flatnonzero((shard["group"] == group) & shard["found"])
            if len(rows) < 3:
                continue
            for index, side in enumerate(SIDES):
                features.append(
                    arm_features(
                        shard["landmarks_px"][rows].astype(float),
                        shard["visibility"][rows].astype(float),
                        shard["world_m"][rows].astype(float),
                        side=side,
                        picture_px=(int(shard["width_px"][rows[0]]), int(shard["height_px"][rows[0]])),
                    )
                )
                targets.append(np.concatenate([shard["upper_arm"][rows, index], shard["forearm"][rows, index]], axis=1))
                people.append(shard["person"][rows])
                view = str(shard["kind"][rows[0]]).split()[-1]
                hidden.append(np.full(len(rows), view.endswith("_side") and not view.startswith(side)))
                kinds.append(np.array([f"{kind} {side}" for kind in shard["kind"][rows]]))
    return {
        "features": np.concatenate(features).astype(np.float32),
        "targets": np.concatenate(targets).astype(np.float32),
        "person": np.concatenate(people),
        "kind": np.concatenate(kinds),
        "hidden": np.concatenate(hidden),
    }


def rarity_weights(targets: np.ndarray) -> np.ndarray:
    """Weigh every arm by how seldom its elevation is, bent arms apart; mean one. Without it the top is under-read.

    ``targets``: (arms, 6), the true directions of upper arm and forearm.
    """
    bins = np.floor(elevation_deg(targets[:, :3]) / RARITY_BIN_DEG).astype(int)
    bent = np.sum(targets[:, :3] * targets[:, 3:], axis=1) < np.cos(np.radians(BENT_ELBOW_DEG))
    bins = 2 * bins + bent
    counts = np.bincount(bins)
    weight = np.minimum(counts.max() / np.maximum(counts, 1), LARGEST_RARITY_WEIGHT)[bins]
    return np.asarray(weight / weight.mean())


def _network(n_features: int) -> nn.Sequential:
    layers: list[nn.Module] = []
    width = n_features
    for hidden in HIDDEN:
        layers += [nn.Linear(width, hidden), nn.SiLU(), nn.Dropout(0.08)]
        width = hidden
    # six numbers are the two directions, two the logarithms of their expected errors in degrees
    return nn.Sequential(*layers, nn.Linear(width, 8))


def _loss(output: torch.Tensor, target: torch.Tensor, weight: torch.Tensor) -> torch.Tensor:
    """Mean error of both directions, with the angles that are read from them counted once more.

    The expected errors are learned by a Laplace likelihood of those angles' errors in degrees; the directions
    themselves learn nothing from it.
    """
    upper, forearm = nn.functional.normalize(output[:, :3], dim=1), nn.functional.normalize(output[:, 3:6], dim=1)
    length = (output[:, :6].reshape(-1, 2, 3).norm(dim=2) - 1).square().sum(dim=1)
    off_upper = ((upper - target[:, :3]).square().sum(dim=1) + 1e-5).sqrt()
    off_forearm = ((forearm - target[:, 3:]).square().sum(dim=1) + 1e-5).sqrt()
    elevation = (_elevation(upper) - _elevation(target[:, :3])).abs()
    directions = 0.6 * off_upper + 0.7 * off_forearm + 0.8 * elevation + 0.02 * length
    degrees = torch.rad2deg(torch.stack([elevation, off_forearm], dim=1).detach())
    log_sd = output[:, 6:8].clamp(-2.0, 4.5)
    expected = (log_sd + 1.25 * degrees / log_sd.exp()).mean(dim=1)
    return (weight * (directions + 0.02 * expected)).sum() / weight.sum()


def _elevation(directions: torch.Tensor) -> torch.Tensor:
    level = (directions[:, :2].square().sum(dim=1) + 1e-6).sqrt()
    return torch.atan2(level, -directions[:, 2])


def train_member(features: torch.Tensor, targets: torch.Tensor, weights: torch.Tensor, seed: int) -> nn.Sequential:
    """Fit one member; deterministic for a seed."""
    torch.manual_seed(seed)
    model = _network(features.shape[1])
    optimiser = torch.optim.AdamW(model.parameters(), 1e-3, weight_decay=1e-2)
    steps = N_EPOCHS * (len(features) // BATCH + 1)
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimiser, 3e-3, total_steps=steps)
    for _ in range(N_EPOCHS):
        model.train()
        order = torch.randperm(len(features))
        for start in range(0, len(order), BATCH):
            batch = order[start : start + BATCH]
            noisy = features[batch] + FEATURE_NOISE * torch.randn(len(batch), features.shape[1])
            loss = _loss(model(noisy), targets[batch], weights[batch])
            optimiser.zero_grad()
            loss.backward()
            optimiser.step()
            schedule.step()
    return model.eval()


def _arrays(models: list[nn.Sequential], mean: np.ndarray, scale: np.ndarray) -> dict[str, np.ndarray]:
    arrays: dict[str, np.ndarray] = {"mean": mean.astype(np.float32), "scale": scale.astype(np.float32)}
    for member, model in enumerate(models):
        linear = [layer for layer in model if isinstance(layer, nn.Linear)]
        for index, layer in enumerate(linear):
            arrays[f"member{member}_{index}_weight"] = _shortened(layer.weight.detach().numpy())
            arrays[f"member{member}_{index}_bias"] = layer.bias.detach().numpy().astype(np.float32)
    return arrays


def _shortened(weights: np.ndarray) -> np.ndarray:
    """Return half-precision weights with two bits fewer, which a compressed file is an eighth smaller for."""
    bits = weights.astype(np.float16).view(np.uint16).astype(np.uint32)
    return ((bits + 2) & 0xFFFC).astype(np.uint16).view(np.float16)


def main() -> None:
    """Train, judge each member on the people it never saw, and write the weights with what was found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("frames", type=Path)
    parser.add_argument("--out", type=Path, required=True)
    arguments = parser.parse_args()
    torch.set_num_threads(2)
    table = training_table(arguments.frames)
    mean = table["features"].mean(axis=0)
    scale = table["features"].std(axis=0) + 1e-3
    normal = torch.tensor((table["features"] - mean) / scale)
    targets = torch.tensor(table["targets"])
    seen = np.where(table["hidden"], HIDDEN_ARM_WEIGHT, 1.0)
    weights = torch.tensor((seen * rarity_weights(table["targets"])).astype(np.float32))
    fold = table["person"] % N_MEMBERS
    models, held_out = [], np.full(len(fold), np.nan)
    expected = np.full(len(fold), np.nan)
    for member in range(N_MEMBERS):
        started = time.monotonic()
        inside = np.flatnonzero(fold != member)
        outside = np.flatnonzero(fold == member)
        model = train_member(normal[inside], targets[inside], weights[inside], seed=member)
        models.append(model)
        network = ArmNetwork.from_arrays(_arrays([model], mean, scale))
        found = predict_directions(network, table["features"][outside].astype(float))
        truth = table["targets"][outside].astype(float)
        held_out[outside] = np.abs(elevation_deg(found.upper_arm) - elevation_deg(truth[:, :3]))
        expected[outside] = found.elevation_sd_deg
        print(f"member {member}: {len(inside)} frames, {time.monotonic() - started:.0f} s", file=sys.stderr)
    report = {}
    for kind in [*np.unique(table["kind"]), "all"]:
        chosen = (table["kind"] == kind) | ((kind == "all") & ~table["hidden"])
        report[str(kind)] = {
            "frames": int(chosen.sum()),
            "elevation_error_mean_deg": round(float(held_out[chosen].mean()), 2),
            "elevation_error_median_deg": round(float(np.median(held_out[chosen])), 2),
            "elevation_error_p95_deg": round(float(np.percentile(held_out[chosen], 95)), 1),
            "expected_sd_median_deg": round(float(np.median(expected[chosen])), 2),
        }
    save_shard(arguments.out, _arrays(models, mean, scale))
    arguments.out.with_suffix(".json").write_text(json.dumps(report, indent=1) + "\n", encoding="utf-8")
    print(json.dumps(report["all"]))


if __name__ == "__main__":
    main()
