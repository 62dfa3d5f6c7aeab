"""The field of view of a camera without a profile: assumed within a stated range, or from the phone's own figure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from vision_rom.camera.lens import Lens
from vision_rom.camera.profile import CameraProfile

FocalSource = Literal["profile", "stated", "assumed"]

FULL_FRAME_DIAGONAL_MM = float(np.hypot(36.0, 24.0))
"""The picture of 35 mm film, to which phones' "equivalent" focal lengths refer."""
ASSUMED_EQUIVALENT_MM = 27.0
ASSUMED_RANGE_MM = (22.0, 36.0)
"""Main cameras of phones while recording, with and without the crop of picture stabilisation (common practice, no
source). Wide and tele lenses lie outside: they need a profile."""
STATED_TOLERANCE = 0.06
"""Relative error of a stated equivalent focal length: the crop of video is often not in it (common practice)."""


@dataclass(frozen=True, slots=True)
class FocalRange:
    """Focal length with the interval in which it lies, for an upright picture of a given size."""

    focal_px: float
    low_px: float
    high_px: float
    source: FocalSource
    remark: str

    def lens(self, width_px: int, height_px: int, *, focal_px: float | None = None) -> Lens:
        """Return a lens without distortion, centred in the picture."""
        focal = self.focal_px if focal_px is None else focal_px
        return Lens(focal, focal, (width_px - 1) / 2, (height_px - 1) / 2, width_px, height_px)


def assumed_focal(width_px: int, height_px: int) -> FocalRange:
    """Return the range of a phone's main camera, of which nothing else is known."""
    diagonal = float(np.hypot(width_px, height_px))
    low, high = (equivalent / FULL_FRAME_DIAGONAL_MM * diagonal for equivalent in ASSUMED_RANGE_MM)
    return FocalRange(
        focal_px=ASSUMED_EQUIVALENT_MM / FULL_FRAME_DIAGONAL_MM * diagonal,
        low_px=low,
        high_px=high,
        source="assumed",
        remark=(
            f"No camera profile: a focal length equivalent to {ASSUMED_EQUIVALENT_MM:g} mm "
            f"({ASSUMED_RANGE_MM[0]:g} to {ASSUMED_RANGE_MM[1]:g} mm) and a lens without distortion were assumed."
        ),
    )


def stated_focal(equivalent_mm: float, width_px: int, height_px: int) -> FocalRange:
    """Return the range for a focal length stated as equivalent to 35 mm film; raise ``ValueError`` if not above 0."""
    if not equivalent_mm > 0.0:
        raise ValueError(f"equivalent_mm must be above 0, got {equivalent_mm}")
    focal = equivalent_mm / FULL_FRAME_DIAGONAL_MM * float(np.hypot(width_px, height_px))
    return FocalRange(
        focal_px=focal,
        low_px=focal * (1 - STATED_TOLERANCE),
        high_px=focal * (1 + STATED_TOLERANCE),
        source="stated",
        remark=f"No camera profile: a focal length equivalent to {equivalent_mm:g} mm was stated.",
    )


def profile_focal(profile: CameraProfile, lens: Lens) -> FocalRange:
    """Return the range of a profile for the lens that :func:`lens_for_picture` made of it."""
    low, high = profile.focal_interval95_px
    own = (profile.lens.focal_x_px + profile.lens.focal_y_px) / 2
    focal = (lens.focal_x_px + lens.focal_y_px) / 2
    return FocalRange(
        focal_px=focal,
        low_px=focal * low / own,
        high_px=focal * high / own,
        source="profile",
        remark=f"Camera profile '{profile.name}' of {profile.date.isoformat()}.",
    )
