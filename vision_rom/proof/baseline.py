"""The plain way, to compare with: angle between the lines shoulder to hip and shoulder to elbow, largest of all pictures.

No smoothing, no repetitions, no correction, nothing refused: what a few lines of code make of the same landmarks.
"""

from __future__ import annotations

import numpy as np

from vision_rom.angles.vectors import angle_between_deg
from vision_rom.handover import Floats, Landmark, PoseTrack, Side


def hip_shoulder_elbow_deg(landmarks_px: Floats, *, side: Side) -> Floats:
    """Return the angle (n,) at the shoulder between hip and elbow of one side, 0 to 180, from landmarks (n, 33, 3) px.

    Only x and y are used. NaN where a landmark is.
    """
    shoulder, elbow, hip = (landmarks_px[:, Landmark.of(side, part), :2] for part in ("shoulder", "elbow", "hip"))
    return angle_between_deg(elbow - shoulder, hip - shoulder)


def largest_angle_deg(track: PoseTrack, *, side: Side) -> float:
    """Return the largest angle of the whole clip; NaN where the side was never seen."""
    angles = hip_shoulder_elbow_deg(track.landmarks_px, side=side)
    seen = angles[np.isfinite(angles)]
    return float(seen.max()) if len(seen) else float("nan")
