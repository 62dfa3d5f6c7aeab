"""Frames to the landmarks of the one patient.

Importing this room is cheap: LiteRT is loaded when the first picture is looked at, and only after the process was
silenced on the network (:mod:`vision_rom.pose.silence`).
"""

from __future__ import annotations

from vision_rom.pose.cache import load_cached, store_cached
from vision_rom.pose.settings import PersonAsked, PoseSettings
from vision_rom.pose.tracking import track_patient

__all__ = ["PersonAsked", "PoseSettings", "load_cached", "store_cached", "track_patient"]
