"""Make the example recordings: printed sheets rendered through known lenses, each with its truth beside it.

    python calibration/make_examples.py [NAME ...]

Takes about five minutes on two cores. Seeds are fixed, so the pictures are the same on every run.
"""

# ruff: noqa: T201 -- a script that talks on the terminal

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from vision_rom.camera.filming import board_path, standing_camera, write_recording
from vision_rom.camera.lens import COEFFICIENTS, Lens
from vision_rom.camera.rendering import Camera, SheetPose, Texture, look_at_sheet, render, texture_of
from vision_rom.camera.sheets import BOARD, TARGETS

FOLDER = Path(__file__).parent / "examples"

# invented lenses of phone-like strength, for demonstration: they are the truth here, not a model of any phone
NORMAL = Lens(1000.0, 1000.0, 645.0, 355.0, 1280, 720, (0.08, -0.15, 0.0006, -0.0004, 0.05))
WIDE = Lens(600.0, 600.0, 634.0, 366.0, 1280, 720, (-0.22, 0.05, 0.0004, 0.0003))


@dataclass(frozen=True)
class Example:
    """One recording to make."""

    sheet: str
    lens: Lens
    pose_at: Callable[[float], SheetPose]
    duration_s: float
    rate_hz: int
    quality: int
    truth: dict[str, object]
    noise: float = 0.8


def examples() -> dict[str, Example]:
    """Return the recordings by name."""
    made = {}
    for name, lens, seed in (("board_normal", NORMAL, 3), ("board_wide", WIDE, 11)):
        pose_at, end_s = board_path(lens, seed=seed, tremor=0.3)
        made[name] = Example("board", lens, pose_at, end_s, 4, 34 if lens is NORMAL else 32, {"tremor": 0.3}, 0.2)
    # held square to the phone in the middle of the picture: nothing can be calibrated from that
    flat = standing_camera(SheetPose(np.diag([1.0, 1.0, 1.0]), np.array([0.0, 0.0, 0.75])), seed=12, tremor=2.0)
    made["board_redo"] = Example("board", NORMAL, flat, 4.0, 8, 28, {"tremor": 2.0})
    for name, target, lens, pose in (
        ("target_square", "small", NORMAL, {"distance_m": 2.0, "turn_deg": 2.0, "pitch_deg": -1.5, "roll_deg": 3.0}),
        ("target_turned", "small", NORMAL, {"distance_m": 2.0, "turn_deg": 17.0, "pitch_deg": -4.0, "roll_deg": -2.0}),
        ("target_wide", "large", WIDE, {"distance_m": 1.5, "turn_deg": 4.0, "pitch_deg": -9.0, "roll_deg": 5.0}),
    ):
        # the wide camera looks past the sheet, so that it is seen through the lens's bent part
        aim = (-0.9, 0.35) if name == "target_wide" else (0.0, 0.0)
        standing = standing_camera(look_at_sheet(aim_m=aim, **pose), seed=13, tremor=0.1)
        made[name] = Example(target, lens, standing, 3.0, 5, 24, {**pose, "aim_m": aim})
    return made


def main(names: list[str]) -> None:
    """Render the named recordings, or all."""
    textures: dict[str, Texture] = {"board": texture_of(BOARD.drawing(), BOARD.size_mm)}
    textures |= {target.name: texture_of(target.drawing(), target.size_mm) for target in TARGETS}
    for name, example in examples().items():
        if names and name not in names:
            continue
        camera = Camera(example.lens, readout_s=0.02, exposure_s=0.008, noise=example.noise)
        generator = np.random.default_rng(14)
        pictures = (
            render(textures[example.sheet], example.pose_at, k / example.rate_hz, camera, generator=generator)
            for k in range(int(example.duration_s * example.rate_hz))
        )
        path = FOLDER / f"{name}.mp4"
        write_recording(path, pictures, rate_hz=example.rate_hz, quality=example.quality)
        lens = example.lens
        truth = {
            "sheet": example.sheet,
            "width_px": lens.width_px,
            "height_px": lens.height_px,
            "focal_x_px": lens.focal_x_px,
            "focal_y_px": lens.focal_y_px,
            "centre_x_px": lens.centre_x_px,
            "centre_y_px": lens.centre_y_px,
            "distortion": dict(zip(COEFFICIENTS, lens.coefficients.tolist(), strict=True)),
            "readout_s": camera.readout_s,
            "exposure_s": camera.exposure_s,
            "noise_grey_levels": camera.noise,
            **example.truth,
        }
        path.with_suffix(".truth.json").write_text(json.dumps(truth, indent=2) + "\n", "utf-8")
        print(f"{path.name}: {path.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main(sys.argv[1:])
