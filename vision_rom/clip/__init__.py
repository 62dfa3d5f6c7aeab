"""Recording to timed, upright frames."""

from __future__ import annotations

from vision_rom.clip.files import sha256_of
from vision_rom.clip.reader import ClipReader, frame_at, open_clip

__all__ = ["ClipReader", "frame_at", "open_clip", "sha256_of"]
