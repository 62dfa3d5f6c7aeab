"""Libraries that only research needs, each with the sentence for where it is missing."""

from __future__ import annotations

from importlib import import_module
from typing import Any

from vision_rom.errors import InstallationError


def _needed(module: str, extra: str) -> Any:  # Any: none of them carries types
    try:
        return import_module(module)
    except ImportError as error:
        raise InstallationError(
            f"This needs the Python package {module.split('.')[0]}, which is not installed; this line installs it: "
            f'pip install "vision-rom[{extra}]"'
        ) from error


def pyarrow() -> Any:
    """Return pyarrow, or raise InstallationError with the line that installs it."""
    return _needed("pyarrow", "research")


def pyarrow_parquet() -> Any:
    """Return pyarrow.parquet, or raise InstallationError."""
    return _needed("pyarrow.parquet", "research")


def pyarrow_csv() -> Any:
    """Return pyarrow.csv, or raise InstallationError."""
    return _needed("pyarrow.csv", "research")


def ezc3d() -> Any:
    """Return ezc3d, or raise InstallationError."""
    return _needed("ezc3d", "research")


def distributed() -> Any:
    """Return dask.distributed, or raise InstallationError."""
    return _needed("distributed", "cluster")
