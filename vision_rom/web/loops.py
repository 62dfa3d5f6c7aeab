"""Short silent loops that show the patient how to move, rendered from our own bodies. Run by hand.

    python -m vision_rom.web.loops

Writes ``static/movements/MOVEMENT_SIDE.mp4`` for every movement that is measured.
"""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import cast

from vision_rom.handover import SIDES, Side
from vision_rom.movements import Movement, load_catalogue, resolve_view
from vision_rom.synthetic.camera import Camera
from vision_rom.synthetic.clip_description import ClipDescription
from vision_rom.synthetic.script import Exercise, Repetition, Script
from vision_rom.synthetic.script import Movement as Rendered
from vision_rom.synthetic.synth import render_clip

PERSON, ROOM = 81_001, 29_900
"""Seeds that no training, calibration or proof uses"""
RATE_HZ = 10.0
REACH_DEG = {
    "abduction": 150.0, "scaption": 150.0, "flexion": 155.0, "extension": 45.0, "external_rotation": 60.0,
    "internal_rotation": 55.0, "external_rotation_90": 80.0, "internal_rotation_90": 60.0, "elbow_flexion": 135.0,
    "elbow_extension": 135.0, "hand_behind_back": 0.45,
}  # fmt: skip


def main() -> None:
    """Render every loop."""
    folder = Path(__file__).parent / "static" / "movements"
    folder.mkdir(parents=True, exist_ok=True)
    for movement in load_catalogue().measured():
        for side in SIDES:
            name = f"{movement.name}_{side}.mp4"
            with tempfile.TemporaryDirectory() as scratch:
                path = Path(scratch) / name
                render_clip(_description(movement, side), path)
                (folder / name).write_bytes(path.read_bytes())


def _description(movement: Movement, side: Side) -> ClipDescription:
    view = resolve_view(movement.views[0], side)
    camera = Camera(
        view="front" if view == "oblique" else view, off_plane_deg=0.0, distance_m=2.9, height_m=1.2, width_px=270, height_px=360,
    )  # fmt: skip
    # straightening is the way back of bending, and one loop shows both
    shown = cast(Rendered, "elbow_flexion" if movement.name == "elbow_extension" else movement.name)
    exercise = Exercise(
        shown, side, (Repetition(REACH_DEG.get(movement.name, 90.0), 2.0, 1.0, 2.0, rest_s=0.6),), ready_s=0.6
    )
    return ClipDescription(
        person=PERSON, script=Script(acts=(exercise,), seed=1), camera=camera, room=ROOM, rate_hz=RATE_HZ, seed=1
    )


if __name__ == "__main__":
    main()
