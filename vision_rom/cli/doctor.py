"""``vision-rom doctor``: whether this installation is whole, and keeps recordings to itself."""

from __future__ import annotations

import ctypes
import shutil
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path
from typing import Final

from vision_rom.errors import APT_LINE, InstallationError, missing_library_sentence
from vision_rom.pose.inference import library_version
from vision_rom.pose.networks import SHA256, read_network
from vision_rom.pose.probe import ProbeResult, probe

_SYSTEM_LIBRARIES: Final = ("libGL.so.1", "libEGL.so.1", "libGLESv2.so.2", "libglib-2.0.so.0")
_LEAST_FREE_BYTES: Final = 500 * 10**6
_CV2_REPAIR: Final = (
    "Mend it with these two commands: "
    "pip uninstall -y opencv-python opencv-python-headless opencv-contrib-python-headless opencv-contrib-python; "
    "pip install opencv-contrib-python"
)


@dataclass(frozen=True, slots=True)
class Check:
    """One thing that was looked at."""

    name: str
    passed: bool
    sentence: str
    """What was found, and where it failed, what mends it."""


def run_checks() -> list[Check]:
    """Look at everything that measuring rests on; takes some seconds, since a network is loaded once."""
    return [check_cv2(), check_system_libraries(), *check_networks(), check_silence(), check_disk(Path.cwd())]


def doctor_command() -> int:
    """Print the checks as a table; return 0 where all passed, else the exit code of an incomplete installation."""
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    checks = run_checks()
    table = Table(title="vision-rom doctor", title_justify="left")
    for column in ("check", "state", "finding"):
        table.add_column(column, overflow="fold")
    for check in checks:
        table.add_row(check.name, "passed" if check.passed else "FAILED", Text(check.sentence))
    Console().print(table)
    return 0 if all(check.passed for check in checks) else InstallationError.exit_code


def check_cv2() -> Check:
    """See that exactly one installed package owns ``cv2`` and is the one that gets imported.

    Several can be installed without a complaint from pip, and then overwrite each other's files
    (opencv/opencv-python issues 388 and 962).
    """
    names = sorted(set(metadata.packages_distributions().get("cv2", ())))
    owners = {name: metadata.version(name) for name in names}
    try:
        import cv2
    except (ImportError, OSError) as error:
        return Check("OpenCV", False, missing_library_sentence(error))
    return judge_cv2(owners, getattr(cv2, "__version__", None))


def judge_cv2(owners: Mapping[str, str], imported: str | None) -> Check:
    """Judge the packages (name to version) that own ``cv2`` against the version that it says of itself."""
    listed = " and ".join(f"{name} {version}" for name, version in owners.items())
    if not owners:
        return Check("OpenCV", False, f"No installed package owns cv2. {_CV2_REPAIR}")
    if len(owners) > 1:
        return Check("OpenCV", False, f"{listed} overwrite each other's files. {_CV2_REPAIR}")
    (version,) = owners.values()
    if imported is None:
        return Check("OpenCV", False, f"cv2 is an empty folder left over from another package. {_CV2_REPAIR}")
    if version != imported and not version.startswith(f"{imported}."):
        return Check("OpenCV", False, f"{listed} is installed, but cv2 says it is {imported}. {_CV2_REPAIR}")
    return Check("OpenCV", True, f"{listed} alone owns cv2")


def check_system_libraries(load: Callable[[str], object] = ctypes.CDLL, platform: str = sys.platform) -> Check:
    """See that the graphics libraries under OpenCV and VTK can be loaded."""
    if not platform.startswith("linux"):
        return Check("graphics libraries", True, "part of this operating system")
    missing = []
    for name in _SYSTEM_LIBRARIES:
        try:
            load(name)
        except OSError:
            missing.append(name)
    if missing:
        found = f"{', '.join(missing)} cannot be loaded. On Debian or Ubuntu this line mends it: {APT_LINE}"
        return Check("graphics libraries", False, found)
    return Check("graphics libraries", True, f"{', '.join(_SYSTEM_LIBRARIES)} can be loaded")


def check_networks() -> list[Check]:
    """See that the pose models are those that belong to this version."""
    checks = []
    for name, sha256 in SHA256.items():
        try:
            read_network(name)
        except InstallationError as error:
            checks.append(Check(f"pose model {name}", False, str(error)))
        else:
            checks.append(Check(f"pose model {name}", True, f"SHA-256 {sha256[:12]}… as expected"))
    return checks


def check_silence(run: Callable[[], ProbeResult] = probe) -> Check:
    """See that the networks run, and send nothing even where the environment names a proxy."""
    found = run()
    if found.heard:
        asked = found.heard[0].split(b"\r\n")[0].decode(errors="replace")[:80]
        sentence = (
            f"LiteRT {library_version()} tried to reach the network ({asked}). Do not measure recordings of patients "
            "with this installation; report it, and install the LiteRT version that vision-rom asks for."
        )
        return Check("off the network", False, sentence)
    if not found.worked:
        return Check("off the network", False, f"LiteRT could not look at a test picture: {found.complaint}")
    return Check("off the network", True, f"LiteRT {library_version()} looked at a picture and sent nothing")


def check_disk(folder: Path, least_bytes: int = _LEAST_FREE_BYTES) -> Check:
    """See that results can be written where the command was called."""
    free_bytes = shutil.disk_usage(folder).free
    sentence = f"{free_bytes / 1e9:.1f} GB free in {folder}"
    if free_bytes < least_bytes:
        return Check("free disk", False, f"Only {sentence}; results need up to {least_bytes / 1e9:.1f} GB. Free some.")
    return Check("free disk", True, sentence)
