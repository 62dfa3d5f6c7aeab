"""Measures of the body in the picture that several signals share."""

from __future__ import annotations

import numpy as np

from vision_rom.handover import Landmark, PoseTrack


def trunk_length_px(track: PoseTrack) -> float:
    """Return the usual length of the trunk in the picture, middle of the shoulders to middle of the hips; NaN where nobody is seen."""
    points = track.landmarks_px[..., :2]
    shoulders = (points[:, Landmark.LEFT_SHOULDER] + points[:, Landmark.RIGHT_SHOULDER]) / 2
    hips = (points[:, Landmark.LEFT_HIP] + points[:, Landmark.RIGHT_HIP]) / 2
    return float(np.nanmedian(np.linalg.norm(shoulders - hips, axis=1)))
