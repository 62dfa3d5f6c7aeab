"""What every test may ask for."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path

import numpy as np
import pytest

from vision_rom.handover import PoseModel, PoseTrack

HERE = Path(__file__).parent


@pytest.fixture(scope="session")
def outside_data() -> Path:
    """Folder of third-party data that is committed; its README names every source."""
    return HERE / "outside_data"


@pytest.fixture(scope="session")
def outside_pictures() -> Path:
    """Folder of third-party clips and pictures that may be used but not copied into the project."""
    root = os.environ.get("VISION_ROM_OUTSIDE_DATA")
    if not root:
        pytest.skip("VISION_ROM_OUTSIDE_DATA names no folder with the third-party pictures")
    folder = Path(root) / "keypoint_clips"
    if not folder.is_dir():
        pytest.skip(f"{folder} does not exist")
    return folder


@pytest.fixture(scope="session")
def sample_clips() -> Path:
    """The clips that the README measures."""
    return HERE.parent / "sample_clips"


@dataclass(frozen=True)
class Watch:
    """Watches from outside, with strace, what a whole tree of processes asks of the system's network."""

    strace: str

    def words(self, log: Path) -> list[str]:
        """What stands before a command so that its calls are written to ``log``."""
        return [self.strace, "-f", "-qq", "-o", str(log), "-e", "trace=connect,sendto,sendmsg,sendmmsg,bind,socket"]

    def outward(self, log: Path) -> list[str]:
        """The calls that went out."""
        calls = log.read_text(encoding="utf-8", errors="replace").splitlines()
        assert any("socket(" in call for call in calls), "strace saw no socket at all: it did not watch"
        return [call for call in calls if _goes_out(call)]


def _goes_out(call: str) -> bool:
    """Say whether a line of strace reaches for a name or for anything but this computer."""
    addresses = re.findall(r'inet_addr\("([^"]+)"\)|inet_pton\(AF_INET6, "([^"]+)"', call)
    return "htons(53)" in call or any(not ip_address(one or other).is_loopback for one, other in addresses)


@pytest.fixture(scope="session")
def goes_out() -> Callable[[str], bool]:
    """A function that says whether a line of strace reaches for a name or for anything but this computer."""
    return _goes_out


@pytest.fixture(scope="session")
def watch() -> Watch:
    """A watch on system calls, where strace is there and may watch."""
    strace = shutil.which("strace")
    if strace is None or subprocess.run([strace, "-qq", "true"], capture_output=True, check=False).returncode:
        pytest.skip("strace is not there or may not watch processes here")
    return Watch(strace)


@pytest.fixture(scope="session")
def kept_examination() -> PoseTrack:
    """The landmarks of a rendered person's whole examination that are kept beside the examination's tests."""
    kept = np.load(HERE / "examination" / "seen_60002.npz")
    width, height = (int(one) for one in kept["size"])
    count = len(kept["time_s"])
    return PoseTrack(
        time_s=kept["time_s"],
        frame_index=np.arange(count),
        landmarks_px=kept["landmarks_px"].astype(float),
        visibility=kept["visibility"].astype(float),
        world_m=kept["world_m"].astype(float),
        width_px=width,
        height_px=height,
        model=PoseModel("pose_full", "0" * 64, "mediapipe"),
        exchanged=np.zeros(count, bool),
    )
