"""``vision-rom filming``: look at a trial recording before the patient moves, and say how to film better."""

from __future__ import annotations

import itertools
import sys
from pathlib import Path
from typing import Annotated, Literal

import typer

from vision_rom.errors import EXIT_MEASURED, NothingMeasurable

LOOKED_AT_HZ = 5.0


def filming_command(
    clip: Annotated[
        Path, typer.Argument(help="A trial recording, with the patient standing as for the movement.", metavar="CLIP")
    ],
    seconds: Annotated[float, typer.Option(min=1.0, help="How much of the recording is looked at.")] = 5.0,
    person: Annotated[int | None, typer.Option(min=1, help="Which person is the patient, from the left.")] = None,
    model: Annotated[Literal["full", "heavy"], typer.Option(help="Pose network.")] = "full",
) -> int:
    """Check a trial recording before measuring: place of the phone, light, who and what is in the picture."""
    from vision_rom.cli.measuring import progress_shown

    with progress_shown(clip.name, sys.stderr.isatty()) as on_progress:
        on_progress("starting", None)
        import numpy as np

        from vision_rom.angles import find_view
        from vision_rom.angles.camera_tilt import camera_tilt_deg
        from vision_rom.angles.filming import filming_remarks
        from vision_rom.clip import open_clip
        from vision_rom.learned import load_camera_tilt
        from vision_rom.pose import PoseSettings, track_patient

        with open_clip(clip, wanted_rate_hz=LOOKED_AT_HZ) as reader:
            frames = itertools.takewhile(lambda frame: frame.time_s <= seconds, reader.as_stored())
            settings = PoseSettings(model=model, person=person)
            track = track_patient(frames, width_px=reader.width_px, height_px=reader.height_px, settings=settings)
        view = find_view(track.landmarks_px, track.visibility, track.world_m, network=track.model.name)
        remarks = filming_remarks(track, view, camera_tilt_deg(track, view.view, load_camera_tilt()))
        found = bool(np.isfinite(track.landmarks_px).any())
    if not found:
        print("• No person was found: film the whole upper body and the hips, in good light, from 2 to 4 m.")
        print("\n".join(f"• {one}" for one in remarks), end="\n" if remarks else "")
        return NothingMeasurable.exit_code
    turn = "" if view.view == "oblique" else f", turned by {_turn_deg(view.facing_deg):.0f}° from squarely"
    print(f"View: {view.view.replace('_', ' ')}{turn}.")
    for remark in (*view.remarks, *track.remarks, *remarks):
        print(f"• {remark}")
    if not remarks:
        print("Distance, level, light and picture are fine as far as they can be told.")
    return EXIT_MEASURED


def _turn_deg(facing_deg: float) -> float:
    """Angle to the nearest of front, side and back."""
    return abs((facing_deg + 45.0) % 90.0 - 45.0)
