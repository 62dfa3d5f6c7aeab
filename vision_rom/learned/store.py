"""Load the shipped arrays, and nothing but those."""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Mapping
from functools import lru_cache
from importlib.resources import files
from typing import Any

import numpy as np

from vision_rom.angles.arm_network import ArmNetwork
from vision_rom.angles.bias import BiasLine
from vision_rom.angles.camera_tilt import TiltWitness
from vision_rom.angles.learned_interval import IntervalFactors
from vision_rom.errors import InstallationError

ARM_NETWORK_FILE = "arm_direction.npz"
ARM_NETWORK_SHA256 = "109a89bcd18ada48803fcbc03400b5a103781b81c8ea0f95a734b6ac84eb5b10"
CALIBRATION_FILE = "calibration.json"
CAMERA_TILT_FILE = "camera_tilt.npz"


@lru_cache(maxsize=1)
def load_arm_network() -> ArmNetwork:
    """Return the arm network of this version.

    Raises
    ------
    InstallationError
        The file is missing, or is not the one that this version was proved with.

    """
    content = _content(ARM_NETWORK_FILE)
    if hashlib.sha256(content).hexdigest() != ARM_NETWORK_SHA256:
        raise InstallationError(
            f"The file {ARM_NETWORK_FILE} of the installation was altered; install vision-rom again."
        )
    with np.load(io.BytesIO(content)) as arrays:
        return ArmNetwork.from_arrays({name: arrays[name] for name in arrays.files})


@lru_cache(maxsize=1)
def load_interval_factors() -> IntervalFactors:
    """Return the calibrated factors of the 95% interval; see :mod:`vision_rom.angles.learned_interval`.

    Raises
    ------
    InstallationError
        The file is missing, or belongs to another network.

    """
    groups = _calibration()
    return IntervalFactors(
        {name: float(one["factor"]) for name, one in groups.items()},
        {name: float(one["factor_off"]) for name, one in groups.items()},
        {name: int(one["clips"]) for name, one in groups.items()},
        {name: float(one["picture_factor"]) for name, one in groups.items() if one.get("picture_factor")},
    )


@lru_cache(maxsize=1)
def load_bias_lines() -> Mapping[str, BiasLine]:
    """Return the bias that is taken off, for each group that has one; raises as :func:`load_interval_factors`."""
    return {name: BiasLine(**one["bias"]) for name, one in _calibration().items() if one.get("bias")}


def _calibration() -> dict[str, dict[str, Any]]:
    document = json.loads(_content(CALIBRATION_FILE))
    if document["arm_network_sha256"] != ARM_NETWORK_SHA256:
        raise InstallationError(
            f"The file {CALIBRATION_FILE} of the installation belongs to another network; install vision-rom again."
        )
    groups: dict[str, dict[str, Any]] = document["groups"]
    return groups


@lru_cache(maxsize=1)
def load_camera_tilt() -> TiltWitness:
    """Return what tells a tilted phone; raises InstallationError where its file is missing."""
    with np.load(io.BytesIO(_content(CAMERA_TILT_FILE))) as arrays:
        return TiltWitness.from_arrays({name: arrays[name] for name in arrays.files})


def _content(name: str) -> bytes:
    try:
        return files("vision_rom.learned").joinpath(name).read_bytes()
    except OSError as error:
        raise InstallationError(
            f"The file {name} is missing from the installation ({error.strerror}); install vision-rom again."
        ) from error
