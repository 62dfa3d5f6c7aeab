"""A sheet that hangs in the patient's own recording: found, placed, and turned into a level and a scale."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from vision_rom.camera.detect import find_board, find_target
from vision_rom.camera.lens import Lens
from vision_rom.camera.placement import Level, Placement, place_camera, typical_placement
from vision_rom.camera.scale import PlaneScale, scale_from_sheet
from vision_rom.handover import Frame

HUNG_SD_DEG = 0.5
"""How plumb a sheet hangs on a wall after a look at a spirit level (common practice, no source)."""
STILL_DEG = 1.5
STILL_RELATIVE = 0.05
"""Of the distance: beyond either the sheet or the camera moved."""


@dataclass(frozen=True, slots=True)
class Reference:
    """What a sheet in the recording tells."""

    kind: Literal["target", "board"]
    placement: Placement
    level: Level | None
    """None for the board, which need not hang plumb, and for a sheet or camera that moved."""
    scale: PlaneScale
    """In the plane of the sheet: use ``scale.before(...)`` for a patient in front of it."""
    pictures: int
    """In which the sheet was found."""
    looked_at: int
    moved: bool
    remarks: tuple[str, ...]
    ends: tuple[Reference, ...] = ()
    """The same by the shortest and the longest focal length that the camera may have"""


def find_reference(
    frames: Iterable[Frame],
    lens: Lens,
    *,
    ends: tuple[Lens, ...] = (),
) -> Reference | None:
    """Look for the angle target, else the board, in some pictures of a recording; None if fewer than two show one.

    ``ends`` are the lens with the shortest and the longest focal length that it may have.
    """
    found: dict[Literal["target", "board"], list[tuple[Placement, ...]]] = {"target": [], "board": []}
    looked_at = 0
    for frame in frames:
        looked_at += 1
        target = find_target(frame.rgb, lens=lens)
        view = target if target is not None else find_board(frame.rgb)
        if view is None:
            continue
        placements = [place_camera(view.sheet_m, view.corners_px, one) for one in (lens, *ends)]
        known = tuple(one for one in placements if one is not None)
        if len(known) == len(placements):
            found["target" if target is not None else "board"].append(known)
    kind: Literal["target", "board"] = "target" if len(found["target"]) >= 2 else "board"
    if len(found[kind]) < 2:
        return None
    middle, *others = (
        reference_from(list(one), kind, by, looked_at=looked_at)
        for one, by in zip(zip(*found[kind], strict=True), (lens, *ends), strict=True)
    )
    return replace(middle, ends=tuple(others))


def reference_from(
    placements: list[Placement],
    kind: Literal["target", "board"],
    lens: Lens,
    *,
    looked_at: int,
) -> Reference:
    """Return what the placements of one sheet in several pictures tell together."""
    typical = typical_placement(placements)
    angles = np.array([[p.turn_deg, p.pitch_deg, p.roll_deg] for p in placements])
    limit = np.maximum(STILL_DEG, 3.0 * np.array(typical.sd_deg))
    distances = np.array([p.distance_m for p in placements])
    moved = bool(np.any(angles.std(axis=0) > limit) or distances.std() > STILL_RELATIVE * distances.mean())
    remarks = [f"The {kind} was found in {len(placements)} of {looked_at} pictures looked at."]
    level = None
    if moved:
        remarks.append(f"The {kind} or the camera moved, so it gives a scale but no level.")
    elif kind == "board":
        remarks.append("The board gives a scale but no level: it need not hang plumb.")
    else:
        # of an ambiguous placement the pitch may have the wrong sign
        unknown_deg = typical.off_plane_deg if typical.ambiguous else 0.0
        tilt_sd = max(typical.sd_deg[1], typical.sd_deg[2], unknown_deg)
        level = Level(typical.down, float(np.hypot(tilt_sd, HUNG_SD_DEG)), "target")
    if typical.ambiguous:
        remarks.append(f"The {kind} is small in the picture: to which side the camera is turned cannot be told.")
    return Reference(
        kind=kind,
        placement=typical,
        level=level,
        scale=scale_from_sheet(typical, lens),
        pictures=len(placements),
        looked_at=looked_at,
        moved=moved,
        remarks=tuple(remarks),
    )
