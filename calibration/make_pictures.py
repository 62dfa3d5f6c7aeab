"""Make the pictures of README.md: how to hold the board, where to hang the target, what the angles of the camera mean.

python calibration/make_pictures.py
"""

from __future__ import annotations

from pathlib import Path

import cv2
import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt
import numpy as np
from make_examples import NORMAL
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle

from vision_rom.camera.filming import HOLD_S, MOVE_S, board_path
from vision_rom.camera.rendering import Camera, look_at_sheet, render, texture_of
from vision_rom.camera.sheets import BOARD, TARGETS

FOLDER = Path(__file__).parent / "pictures"
ADVICE = (
    "square to the phone",
    "tipped",
    "tipped the other way",
    "turned",
    "turned the other way",
    "into every corner,",
    "partly out of the picture",
    "and on all sides",
)


def holds() -> None:
    """Eight of the places that the board should be held at."""
    texture = texture_of(BOARD.drawing(), BOARD.size_mm)
    pose_at, _ = board_path(NORMAL, seed=11)
    generator = np.random.default_rng(0)
    figure, axes = plt.subplots(2, 4, figsize=(9.6, 3.2))
    for axis, place, words in zip(axes.flat, (0, 1, 2, 3, 4, 5, 13, 9), ADVICE, strict=True):
        time_s = place * (HOLD_S + MOVE_S) + HOLD_S / 2
        picture = render(texture, pose_at, time_s, Camera(NORMAL), generator=generator)
        axis.imshow(cv2.resize(picture, (320, 180), interpolation=cv2.INTER_AREA))
        axis.set_title(words, fontsize=9)
        axis.set_axis_off()
    figure.tight_layout(pad=0.4)
    figure.savefig(FOLDER / "hold_the_board.png", dpi=100)


def wall() -> None:
    """A square and a turned camera, from above and through the lens."""
    texture = texture_of(TARGETS[0].drawing(), TARGETS[0].size_mm)
    figure, axes = plt.subplots(2, 2, figsize=(8.4, 5.2), height_ratios=(1.15, 1.0))
    for column, (turn_deg, words) in enumerate(((0.0, "square to the wall"), (20.0, "turned 20 deg to the right"))):
        pose = look_at_sheet(distance_m=0.8, turn_deg=turn_deg, pitch_deg=0.0, roll_deg=0.0)
        from_above(axes[0, column], turn_deg)
        axes[0, column].set_title(words, fontsize=11)
        picture = render(texture, lambda _, p=pose: p, 0.0, Camera(NORMAL), generator=np.random.default_rng(0))
        axes[1, column].imshow(cv2.resize(picture[:, 280:1000], (540, 540), interpolation=cv2.INTER_AREA))
        axes[1, column].set_axis_off()
    figure.tight_layout(pad=0.6)
    figure.savefig(FOLDER / "face_the_wall.png", dpi=100)


def from_above(axis: Axes, turn_deg: float) -> None:
    """Draw wall, sheet, camera and the line of sight in plan view, metres."""
    turn = np.radians(turn_deg)
    camera = np.array([-2.0 * np.sin(turn), -2.0 * np.cos(turn)])
    axis.add_patch(Rectangle((-1.6, 0.0), 3.2, 0.12, color="0.75"))
    axis.plot([-0.12, 0.12], [-0.02, -0.02], color="black", linewidth=4)
    axis.plot([camera[0], 0.0], [camera[1], 0.0], color="tab:blue", linestyle="--")
    axis.plot([0.0, 0.0], [-2.0, 0.0], color="0.5", linewidth=0.8)
    aside = np.array([np.cos(turn), -np.sin(turn)]) * 0.18
    axis.plot(*np.stack([camera - aside, camera + aside]).T, color="tab:blue", linewidth=5)
    axis.text(0.2, -0.25, "sheet on the wall", fontsize=9)
    axis.text(camera[0] + 0.25, camera[1] - 0.05, "phone", fontsize=9, color="tab:blue")
    if turn_deg:
        arc = np.linspace(0.0, turn, 20)
        axis.plot(-0.9 * np.sin(arc), -0.9 * np.cos(arc), color="tab:red")
        axis.text(-1.15, -0.95, f"{turn_deg:g} deg\noff plane", fontsize=9, color="tab:red")
    axis.set_xlim(-1.7, 1.7)
    axis.set_ylim(-2.25, 0.25)
    axis.set_aspect("equal")
    axis.set_axis_off()


if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    holds()
    wall()
