"""Do the networks run here, and do they stay off the network? Found out in a process of its own, under a trap."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from types import TracebackType
from typing import Final, Self

import numpy as np

from vision_rom.pose.landmarker import Landmarker
from vision_rom.pose.pictures import RgbPicture
from vision_rom.pose.settings import PoseSettings
from vision_rom.pose.silence import EXCEPTION_VARIABLES, PROXY_VARIABLES

_LONGEST_S: Final = 120.0
LOOK_ONCE: Final = "from vision_rom.pose.probe import look_once; look_once()"


class LoopbackTrap:
    """A listener on a loopback port that records what anybody tries to send through it as a proxy, and answers nothing.

    Use it in a ``with`` statement. Nothing leaves the computer.
    """

    def __init__(self) -> None:
        self.heard: list[bytes] = []
        """The first bytes of each connection."""
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.settimeout(0.1)
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._listen, daemon=True)

    @property
    def proxy(self) -> str:
        """The trap's address as a proxy variable holds it."""
        return f"http://127.0.0.1:{self._listener.getsockname()[1]}"

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._closing.set()
        self._thread.join()
        self._listener.close()

    def _listen(self) -> None:
        while not self._closing.is_set():
            try:
                connection, _ = self._listener.accept()
            except TimeoutError:
                continue
            with connection:
                connection.settimeout(2.0)
                try:
                    self.heard.append(connection.recv(4096))
                except OSError:
                    self.heard.append(b"")


@dataclass(frozen=True, slots=True)
class ProbeResult:
    """What the process of its own did."""

    worked: bool
    """It looked at a picture and ended well."""
    heard: tuple[bytes, ...]
    """What it tried to send through the proxy that its environment named."""
    complaint: str
    """The last line it wrote to its standard error stream."""


def look_once() -> None:
    """Load the smaller network and look at one grey picture."""
    Landmarker(PoseSettings()).look(RgbPicture(np.full((240, 320, 3), 128, np.uint8)))


def probe() -> ProbeResult:
    """Look at one picture in a process whose environment lures everything into a trap."""
    with LoopbackTrap() as trap:
        try:
            done = subprocess.run(
                [sys.executable, "-c", LOOK_ONCE],
                env={**os.environ, **luring_environment(trap.proxy)},
                capture_output=True,
                text=True,
                errors="replace",
                timeout=_LONGEST_S,
                check=False,
            )
        except subprocess.TimeoutExpired:
            return ProbeResult(False, tuple(trap.heard), f"it did not end within {_LONGEST_S:g} s")
    lines = done.stderr.strip().splitlines()
    return ProbeResult(done.returncode == 0, tuple(trap.heard), lines[-1] if lines else "")


def luring_environment(proxy: str) -> Mapping[str, str]:
    """Return variables that send every request of libcurl through a proxy, as a caller's environment may have them."""
    return {**dict.fromkeys(PROXY_VARIABLES, proxy), **dict.fromkeys(EXCEPTION_VARIABLES, "example.invalid")}
