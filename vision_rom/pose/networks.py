"""The pose networks that come with the package, checked before use.

Where they come from and how they were put together is told in ``models/MODELS.md``.
"""

from __future__ import annotations

import hashlib
from importlib import resources
from typing import Final

from vision_rom.errors import InstallationError
from vision_rom.pose.settings import ModelName

SHA256: Final[dict[ModelName, str]] = {
    "full": "94435755a8f93d96b9e5a55c835439b72777ba6872a60e482a57cd87983f485d",
    "heavy": "0f760770d43e6da8e8f8a17be916d89ddd142aecfa035ea94650901b799bbfac",
}
"""Of ``models/pose_NAME.task``."""


def read_network(name: ModelName) -> bytes:
    """Return the bytes of a network.

    The bytes go to MediaPipe instead of the path, because a path with signs beyond ASCII fails on some systems
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
