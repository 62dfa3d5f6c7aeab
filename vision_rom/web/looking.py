"""A quick look at a recording right after it came in: can it be measured, and how is it filmed better.

Answers are codes; :mod:`vision_rom.web.home` puts them in plain words, in the patient's language.
"""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np

from vision_rom.angles import find_view
from vision_rom.angles.camera_tilt import camera_tilt_deg
from vision_rom.angles.filming import Fault, filming_faults
from vision_rom.clip import open_clip
from vision_rom.handover import SIDES
from vision_rom.learned import load_camera_tilt
from vision_rom.movements import movement as movement_named
from vision_rom.pose import PoseSettings, track_patient

LOOKED_AT_HZ = 3.0
LONGEST_S = 40.0
SHORTEST_S = 3.0
"""A raise, a hold and a return take longer"""


def faults_of(path: Path, *, movement: str | None, side: str | None) -> tuple[str, ...]:
    """Return a code for everything that should be filmed otherwise; empty where all is well.

    Raises
    ------
    ClipError
        The recording cannot be read.

    """
    with open_clip(path, wanted_rate_hz=LOOKED_AT_HZ) as reader:
        frames = itertools.takewhile(lambda frame: frame.time_s <= LONGEST_S, reader)
        track = track_patient(frames, width_px=reader.width_px, height_px=reader.height_px, settings=PoseSettings())
    if not np.isfinite(track.landmarks_px).any():
        return ("nobody",)
    found: list[str] = []
    if track.time_s[-1] < SHORTEST_S:
        found.append("short")
    view = find_view(track.landmarks_px, track.visibility, track.world_m, network=track.model.name)
    tilt_deg = camera_tilt_deg(track, view.view, load_camera_tilt())
    faults: tuple[Fault, ...] = filming_faults(track, view, tilt_deg)
    found += [one.code for one in faults]
    if movement is not None:
        sides = [one for one in SIDES if side in (None, "both", one)]
        wanted = {name for one in sides for name in movement_named(movement).wanted_views_for(one)}
        # a body turned half is let pass: the measurement itself says how far off it was
        if view.view != "oblique" and view.view not in wanted:
            found.append("direction")
    return tuple(dict.fromkeys(found))
