"""For research: folders of recordings, tidy tables, agreement with a reference.

Names load on first use, so that a worker that only measures loads no table library.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

_HOMES = {
    "run_batch": "vision_rom.research.batch",
    "BatchSettings": "vision_rom.research.settings",
    "read_landmarks": "vision_rom.research.landmark_files",
    "agreement_between": "vision_rom.research.agreement",
    "intraclass_correlation": "vision_rom.research.icc",
    "limits_of_agreement": "vision_rom.research.limits",
    "pairs_for_limits": "vision_rom.research.sample_size",
    "subjects_for_icc": "vision_rom.research.sample_size",
    "write_c3d": "vision_rom.research.c3d_files",
    "write_json_lines": "vision_rom.research.json_lines",
}
__all__ = [  # noqa: PLE0604 - the table above is the list
    *_HOMES
]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'vision_rom.research' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(_HOMES)
