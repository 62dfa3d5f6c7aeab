"""MediaPipe's own Pose Landmarker with our networks: what ours is compared with in tests and in the bench of speed.

Nothing is measured with it: :mod:`vision_rom.pose.landmarker` runs the same networks several times as fast.
"""

from __future__ import annotations

from importlib import metadata
from types import TracebackType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from vision_rom.errors import InstallationError, missing_library_sentence
from vision_rom.handover import Landmark
from vision_rom.pose.landmarker import People
from vision_rom.pose.networks import read_network
from vision_rom.pose.settings import PoseSettings
from vision_rom.pose.silence import native_log_withheld, silence_network

_CHATTY_PICTURES = 2
"""The library writes to the standard error stream while its graph warms up, and again when it first finds somebody."""


class TaskLandmarker:
    """One network, loaded once. Use it in a ``with`` statement, from one thread at a time.

    It looks at every picture afresh (MediaPipe's image mode): its video mode always smooths, which lags behind fast
    movement (google-ai-edge/mediapipe issue 6239).

    Raises
    ------
    InstallationError
        MediaPipe, a system library under it, or the network's file is missing or altered.

    """

    def __init__(self, settings: PoseSettings) -> None:
        content = read_network(settings.model)
        silence_network()
        with native_log_withheld():
            self._mediapipe = load_mediapipe()
            tasks = self._mediapipe.tasks
            options = tasks.vision.PoseLandmarkerOptions(
                base_options=tasks.BaseOptions(model_asset_buffer=content),
                running_mode=tasks.vision.RunningMode.IMAGE,
                num_poses=settings.max_people,
                min_pose_detection_confidence=settings.min_detection,
                min_pose_presence_confidence=settings.min_presence,
            )
            try:
                self._task = tasks.vision.PoseLandmarker.create_from_options(options)
            except OSError as error:
                raise InstallationError(missing_library_sentence(error)) from error
            except (RuntimeError, ValueError) as error:
                raise InstallationError(
                    f"MediaPipe {library_version()} does not accept the pose model {settings.model} ({error}). "
                    "Install the MediaPipe version that vision-rom asks for."
                ) from error
        self._still_chatty = _CHATTY_PICTURES

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with native_log_withheld():
            self._task.close()

    def look(self, rgb: NDArray[np.uint8]) -> People:
        """Find everybody in a picture of shape (height_px, width_px, 3)."""
        if self._still_chatty <= 0:
            return self._look(rgb)
        with native_log_withheld():
            found = self._look(rgb)
        if len(found):
            self._still_chatty -= 1
        return found

    def _look(self, rgb: NDArray[np.uint8]) -> People:
        height_px, width_px = rgb.shape[:2]
        picture = self._mediapipe.Image(self._mediapipe.ImageFormat.SRGB, np.ascontiguousarray(rgb))
        found = self._task.detect(picture)
        # copied at once: results kept alive pile up in long recordings (google-ai-edge/mediapipe issue 6351)
        pixels = [[(p.x * width_px, p.y * height_px, p.z * width_px) for p in one] for one in found.pose_landmarks]
        visible = [[p.visibility for p in one] for one in found.pose_landmarks]
        metres = [[(p.x, p.y, p.z) for p in one] for one in found.pose_world_landmarks]
        count = len(Landmark)
        return People(
            landmarks_px=np.array(pixels, np.float32).reshape(-1, count, 3),
            visibility=np.array(visible, np.float32).reshape(-1, count),
            world_m=np.array(metres, np.float32).reshape(-1, count, 3),
        )


def library_version() -> str:
    """Return the version of MediaPipe that is installed, or "not installed"."""
    try:
        return metadata.version("mediapipe")
    except metadata.PackageNotFoundError:
        return "not installed"


def load_mediapipe() -> Any:  # Any: MediaPipe carries no types
    """Import MediaPipe, after :func:`silence_network`.

    Raises
    ------
    InstallationError
        It is not installed, or a system library under it is missing.

    """
    try:
        import mediapipe
    except ModuleNotFoundError as error:
        raise InstallationError(
            f"The Python package {error.name} is missing, with which only tests and the bench of speed compare. "
            'Install it: pip install "vision-rom[test]"'
        ) from error
    except (ImportError, OSError) as error:
        raise InstallationError(missing_library_sentence(error)) from error
    return mediapipe
