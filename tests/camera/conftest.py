"""Rendered pictures that several tests look at."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from vision_rom.camera.lens import Lens
from vision_rom.camera.rendering import Camera, SheetPose, Texture, render, texture_of
from vision_rom.camera.sheets import BOARD, TARGETS

NORMAL = Lens(1000.0, 1000.0, 645.0, 355.0, 1280, 720, (0.08, -0.15, 0.0006, -0.0004, 0.05))
WIDE = Lens(600.0, 600.0, 634.0, 366.0, 1280, 720, (-0.22, 0.05, 0.0004, 0.0003))


@pytest.fixture(scope="session")
def normal() -> Lens:
    """A phone's main camera, 65 deg wide."""
    return NORMAL


@pytest.fixture(scope="session")
def wide() -> Lens:
    """A wide lens with strong barrel distortion, 115 deg wide with it."""
    return WIDE


@pytest.fixture(scope="session")
def textures() -> dict[str, Texture]:
    """The sheets by name, drawn once."""
    drawn = {target.name: texture_of(target.drawing(), target.size_mm) for target in TARGETS}
    return drawn | {"board": texture_of(BOARD.drawing(), BOARD.size_mm)}


@pytest.fixture(scope="session")
def picture(textures: dict[str, Texture]) -> Callable[..., NDArray[np.uint8]]:
    """Render one sheet at one pose: ``picture("small", pose, lens, seed=1)``."""

    def rendered(name: str, pose: SheetPose, lens: Lens, *, seed: int = 0, noise: float = 2.0) -> NDArray[np.uint8]:
        return render(
            textures[name], lambda _: pose, 0.0, Camera(lens, noise=noise), generator=np.random.default_rng(seed)
        )

    return rendered
