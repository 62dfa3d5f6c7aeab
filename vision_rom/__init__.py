"""Joint angles of the active shoulder examination from a phone recording, with their error.

Three lines do what the command does::

    import vision_rom
    measurement = vision_rom.measure("abduction.mp4", movement="abduction")
    print(measurement.readings[0].held_deg, measurement.readings[0].interval95_deg)

Names load on first use, so that importing the package costs next to nothing.
"""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from vision_rom.errors import VisionRomError
    from vision_rom.measure import Measurement, measure

__version__ = "0.1.0"
_HOMES = {
    "measure": "vision_rom.measure",
    "Measurement": "vision_rom.measure",
    "VisionRomError": "vision_rom.errors",
}
__all__ = ["Measurement", "VisionRomError", "__version__", "measure"]


class _Package(ModuleType):
    """A package whose public names stay what they are.

    Importing the module ``vision_rom.measure``, directly or by way of another room, would bind the module to the name
    of the function.
    """

    def __setattr__(self, name: str, value: object) -> None:
        if not (name in _HOMES and isinstance(value, ModuleType)):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        value = getattr(import_module(_HOMES[name]), name)
        globals()[name] = value
        return value
    raise AttributeError(f"module 'vision_rom' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
