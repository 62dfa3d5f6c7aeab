"""Load the shipped arrays, and nothing but those."""

from __future__ import annotations

import hashlib
import io
from functools import lru_cache
from importlib.resources import files

import numpy as np

from vision_rom.angles.arm_network import ArmNetwork
from vision_rom.errors import InstallationError

ARM_NETWORK_FILE = "arm_direction.npz"
ARM_NETWORK_SHA256 = "0" * 64


@lru_cache(maxsize=1)
def load_arm_network() -> ArmNetwork:
    """Return the arm network of this version.

    Raises
    ------
    InstallationError
        The file is missing, or is not the one that this version was proved with.

    """
    try:
        content = files("vision_rom.learned").joinpath(ARM_NETWORK_FILE).read_bytes()
    except OSError as error:
        raise InstallationError(
            f"The file {ARM_NETWORK_FILE} is missing from the installation ({error.strerror}); install vision-rom again."
        ) from error
    if hashlib.sha256(content).hexdigest() != ARM_NETWORK_SHA256:
        raise InstallationError(
            f"The file {ARM_NETWORK_FILE} of the installation was altered; install vision-rom again."
        )
    with np.load(io.BytesIO(content)) as arrays:
        return ArmNetwork.from_arrays({name: arrays[name] for name in arrays.files})
