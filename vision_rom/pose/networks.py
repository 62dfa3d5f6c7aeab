"""The pose networks that come with the package, checked before use.

Where they come from and how they were put together is told in ``models/MODELS.md``.
"""

from __future__ import annotations

import hashlib
import zipfile
from dataclasses import dataclass
from importlib import resources
from io import BytesIO
from typing import Final

from vision_rom.errors import InstallationError
from vision_rom.pose.landmark_network import USED as LANDMARKS_USED
from vision_rom.pose.settings import ModelName
from vision_rom.pose.shortened import shortened

SHA256: Final[dict[ModelName, str]] = {
    "full": "94435755a8f93d96b9e5a55c835439b72777ba6872a60e482a57cd87983f485d",
    "heavy": "0f760770d43e6da8e8f8a17be916d89ddd142aecfa035ea94650901b799bbfac",
}
"""Of ``models/pose_NAME.task``."""


@dataclass(frozen=True, slots=True)
class NetworkFiles:
    """The two networks of one pose model, as TensorFlow Lite files."""

    detector: bytes
    landmarks: bytes


def read_networks(name: ModelName) -> NetworkFiles:
    """Return the two networks of a pose model, out of its file, without the parts that nobody asks for.

    Raises
    ------
    InstallationError
        As :func:`read_network`.

    """
    with zipfile.ZipFile(BytesIO(read_network(name))) as bundle:
        return NetworkFiles(
            bundle.read("pose_detector.tflite"),
            shortened(bundle.read("pose_landmarks_detector.tflite"), LANDMARKS_USED),
        )


def read_network(name: ModelName) -> bytes:
    """Return the bytes of a pose model's file, which holds both its networks.

    Bytes are handed on instead of the path, because a path with signs beyond ASCII fails on some systems
    (google-ai-edge/mediapipe issues 4983 and 5343).

    Raises
    ------
    InstallationError
        The file is missing, cannot be read, or is not the one that belongs to this version.

    """
    file_name = f"pose_{name}.task"
    repair = "Install vision-rom again, or copy the file from its source package (with git-lfs or ZIP archives, check that it is whole)."
    try:
        content = resources.files("vision_rom.pose").joinpath("models", file_name).read_bytes()
    except OSError as error:
        reason = error.strerror or str(error)
        raise InstallationError(f"The pose model {file_name} cannot be read ({reason}). {repair}") from error
    found = hashlib.sha256(content).hexdigest()
    if found != SHA256[name]:
        raise InstallationError(
            f"The pose model {file_name} has been altered: its SHA-256 is {found[:12]}…, expected {SHA256[name][:12]}…. "
            f"{repair}"
        )
    return content
