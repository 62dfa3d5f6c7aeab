"""Measures of the body in the picture that several signals share."""

from __future__ import annotations

import numpy as np

from vision_rom.angles.elevation import trunk_down_px
from vision_rom.handover import PoseTrack


def trunk_length_px(track: PoseTrack) -> float:
    """Return the usual length of the trunk in the picture, middle of the shoulders to middle of the hips; NaN where nobody is seen."""
    return float(np.nanmedian(np.linalg.norm(trunk_down_px(track.landmarks_px), axis=1)))
