"""One neural network, ready to run on this computer's processor: arrays in, arrays out.

LiteRT runs the same files as MediaPipe and gives the same numbers, but without MediaPipe's graph around them: the
detector need not run on every picture, several pictures can be looked at side by side, and nothing reports its use.
"""

from __future__ import annotations

from collections.abc import Sequence
from importlib import metadata
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from vision_rom.errors import InstallationError
from vision_rom.pose.silence import native_log_withheld, silence_network

Floats32 = NDArray[np.float32]
PACKAGE: Final = "ai-edge-litert"


class Network:
    """A loaded network with one picture as its input. Use it from one thread at a time.

    It runs on the thread that calls it: a second thread inside one run is no faster (``tests/proof/results/speed``),
    while two networks side by side are, since running lets other Python threads go on.

    Raises
    ------
    InstallationError
        LiteRT is missing, or does not accept the file.

    """

    def __init__(self, content: bytes, *, name: str, outputs: Sequence[str]) -> None:
        # LiteRT sends nothing as far as strace shows; the switch costs nothing and holds for later versions too
        silence_network()
        interpreter_class = _interpreter_class()
        try:
            with native_log_withheld():
                self._interpreter = interpreter_class(model_content=content, num_threads=1)
                self._interpreter.allocate_tensors()
        except (RuntimeError, ValueError) as error:
            raise InstallationError(
                f"LiteRT {library_version()} does not accept the network {name} ({error}). "
                "Install the version that vision-rom asks for."
            ) from error
        (self._input,) = self._interpreter.get_input_details()
        places = {one["name"]: one["index"] for one in self._interpreter.get_output_details()}
        self._outputs = {one: places[one] for one in outputs}
        self.side_px = int(self._input["shape"][1])
        """Its pictures are squares of this size."""
        self.runs = 0
        """How often it ran."""

    def run(self, picture: Floats32) -> dict[str, Floats32]:
        """Return the outputs by name for a picture (side_px, side_px, 3)."""
        self._interpreter.set_tensor(self._input["index"], picture[None])
        self._interpreter.invoke()
        self.runs += 1
        return {name: self._interpreter.get_tensor(index)[0] for name, index in self._outputs.items()}


def library_version() -> str:
    """Return the version of LiteRT that is installed, or "not installed"."""
    try:
        return metadata.version(PACKAGE)
    except metadata.PackageNotFoundError:
        return "not installed"


def _interpreter_class() -> Any:  # Any: LiteRT carries no types
    try:
        from ai_edge_litert.interpreter import Interpreter
    except (ImportError, OSError) as error:
        raise InstallationError(
            f"The Python package {PACKAGE} cannot be loaded ({error}). "
            "Install vision-rom again: pip install --force-reinstall vision-rom"
        ) from error
    return Interpreter
