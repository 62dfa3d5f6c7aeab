"""A small network from one picture's landmarks to the true direction of the arm in the thorax's frame.

The thorax's frame has x towards the arm's own side, y backwards and z up; a right arm is mirrored, so that both arms
share one network. The directions are unit vectors: the upper arm from the centre of the shoulder joint to the centre
of the elbow, the forearm from the elbow to the wrist. The weights arrive as arrays; how they were learned, and on
whom, stands in ``learned/CARD.md``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision_rom.angles.vectors import unit_vectors
from vision_rom.handover import Floats
from vision_rom.spool import ROWS


@dataclass(frozen=True)
class ArmNetwork:
    """Members of an ensemble, each a list of (weight, bias) with SiLU between them."""

    mean: Floats
    scale: Floats
    members: tuple[tuple[tuple[Floats, Floats], ...], ...]

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, NDArray[np.generic]]) -> ArmNetwork:
        """Build the network from ``mean``, ``scale`` and ``member{k}_{layer}_weight`` / ``_bias``."""
        members: list[tuple[tuple[Floats, Floats], ...]] = []
        while f"member{len(members)}_0_weight" in arrays:
            prefix = f"member{len(members)}_"
            layers: list[tuple[Floats, Floats]] = []
            while f"{prefix}{len(layers)}_weight" in arrays:
                name = f"{prefix}{len(layers)}"
                layers.append((_floats(arrays[f"{name}_weight"]), _floats(arrays[f"{name}_bias"])))
            members.append(tuple(layers))
        return cls(_floats(arrays["mean"]), _floats(arrays["scale"]), tuple(members))


@dataclass(frozen=True)
class ArmDirections:
    """Directions of one arm over time, in the thorax's frame of that side."""

    upper_arm: Floats
    """(n, 3) unit vectors; NaN where the picture had no landmarks."""
    forearm: Floats
    """(n, 3)"""
    elevation_sd_deg: Floats
    """(n,) one standard deviation that the network expects of the elevation in one picture."""
    rotation_sd_deg: Floats
    """(n,) the same for the forearm's direction."""


def predict_directions(network: ArmNetwork, features: NDArray[np.floating]) -> ArmDirections:
    """Return the directions for features (n, n_features) of :func:`vision_rom.angles.arm_features.arm_features`."""
    return directions_of_blocks(
        network, (features[first : first + ROWS] for first in range(0, max(len(features), 1), ROWS))
    )


def directions_of_blocks(network: ArmNetwork, features: Iterable[NDArray[np.floating]]) -> ArmDirections:
    """Return the directions for features that come some pictures at a time; one block at least, which may be empty."""
    found = [_of_block(network, block) for block in features]
    return ArmDirections(*(np.concatenate(parts) for parts in zip(*found, strict=True)))


def _of_block(network: ArmNetwork, features: NDArray[np.floating]) -> tuple[Floats, Floats, Floats, Floats]:
    """Return the four arrays of :class:`ArmDirections` for some rows: an hour has a hundred thousand."""
    normal = (features - network.mean) / network.scale
    outputs = np.stack([_forward(member, normal) for member in network.members])
    mean = outputs.mean(axis=0)
    # the members' disagreement tells of unfamiliar pictures, their own estimate of familiar ones
    spread = np.degrees(np.linalg.norm(outputs[..., :6].std(axis=0).reshape(-1, 2, 3), axis=2))
    own = np.exp(np.clip(mean[:, 6:8], -3.0, 5.0))
    expected = np.hypot(spread, own)
    return unit_vectors(mean[:, :3]), unit_vectors(mean[:, 3:6]), expected[:, 0], expected[:, 1]


def elevation_deg(upper_arm: Floats) -> Floats:
    """Return the angle (n,) between the upper arm and the thorax's downward axis, 0 to 180."""
    return np.asarray(np.degrees(np.arctan2(np.hypot(upper_arm[:, 0], upper_arm[:, 1]), -upper_arm[:, 2])))


def plane_of_elevation_deg(upper_arm: Floats) -> Floats:
    """Return the plane (n,) in which the arm is raised: 0 to the side, 90 forwards, -90 backwards."""
    return np.asarray(np.degrees(np.arctan2(-upper_arm[:, 1], upper_arm[:, 0])))


def axial_rotation_deg(upper_arm: Floats, forearm: Floats) -> Floats:
    """Return the forearm's azimuth (n,) about the upper arm: 0 straight ahead, outward (external) positive.

    Both vectors lie in the frame of a left arm: x towards its side, y backwards.
    """
    ahead = np.array([0.0, -1.0, 0.0])
    forward = unit_vectors(ahead - (upper_arm @ ahead)[:, None] * upper_arm)
    lateral = np.cross(forward, upper_arm)
    return np.asarray(
        np.degrees(np.arctan2(np.einsum("ni,ni->n", forearm, lateral), np.einsum("ni,ni->n", forearm, forward)))
    )


def _forward(layers: tuple[tuple[Floats, Floats], ...], x: Floats) -> Floats:
    """Return the last layer's values for inputs (n, inputs).

    In single precision, which takes half the time and moves the angles by less than a thousandth of a degree.
    """
    values = x.astype(np.float32)
    for index, (weight, bias) in enumerate(layers):
        values = values @ weight.T.astype(np.float32)
        values += bias.astype(np.float32)
        if index < len(layers) - 1:
            # SiLU, with the exponent cut where it would overflow; in place, since fresh memory costs more than the sums
            below = np.clip(values, -60.0, 60.0)
            np.negative(below, out=below)
            np.exp(below, out=below)
            below += 1.0
            values /= below
    return values.astype(np.float64)


def _floats(array: NDArray[np.generic]) -> Floats:
    return np.asarray(array, dtype=np.float64)
