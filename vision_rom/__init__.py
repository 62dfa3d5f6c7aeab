"""Joint angles of the active shoulder examination from a phone recording, with their error.

Three lines do what the command does::

    import vision_rom
    measurement = vision_rom.measure("abduction.mp4", movement="abduction")
    print(measurement.readings[0].held_deg, measurement.readings[0].interval95_deg)

Names load on first use, so that importing the package costs next to nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "0.1.0"
_HOMES = {
    "measure": "vision_rom.measure",
    "Measurement": "vision_rom.measure",
    "VisionRomError": "vision_rom.errors",
}
__all__ = ["Measurement", "VisionRomError", "__version__", "measure"]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        value = getattr(import_module(_HOMES[name]), name)
        # importing the module `vision_rom.measure` binds the module to this name: the function must win
        globals()[name] = value
        return value
    raise AttributeError(f"module 'vision_rom' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
