"""The folder of results: every file whole, or as it was before."""

from __future__ import annotations

import datetime
import importlib.metadata
import os
import platform
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from vision_rom import __version__
from vision_rom.errors import OutputError
from vision_rom.proof.landmarks import OFFSETS_HEADINGS, LandmarkOffsets, offsets_table
from vision_rom.proof.plots import agreement_png, error_png
from vision_rom.proof.run import ProofRow
from vision_rom.proof.write_up import ELEVATIONS, camera_of, csv_text, errors_csv, page_markdown, summarise, summary_csv

_LIBRARIES = ("ai-edge-litert", "numpy", "scipy", "vtk", "opencv-contrib-python", "av")


def write_results(
    rows: Sequence[ProofRow], folder: Path, facts: Mapping[str, str], *, offsets: Iterable[LandmarkOffsets] = ()
) -> Path:
    """Write ``errors.csv``, three tables, ``page.md`` and two plots; return the folder.

    Raises OutputError where a file cannot be written; a file is replaced as a whole or not at all.
    """
    elevations = [row for row in rows if row.movement in ELEVATIONS]
    by_condition = summarise(rows, lambda row: (row.movement, row.view, row.condition, row.model, row.method))
    by_camera = summarise(rows, lambda row: (row.movement, row.view, camera_of(row), row.model, row.method))
    contents: dict[str, bytes] = {
        "errors.csv": errors_csv(rows).encode(),
        "table.csv": summary_csv(
            sorted(by_condition, key=lambda one: one.of), ("movement", "view", "condition", "model", "method")
        ).encode(),
        "table_by_camera.csv": summary_csv(
            sorted(by_camera, key=lambda one: one.of), ("movement", "view", "camera", "model", "method")
        ).encode(),
        "landmarks.csv": csv_text(OFFSETS_HEADINGS, offsets_table(offsets)).encode(),
        "error_by_angle.png": error_png(rows),
        "agreement_elevation.png": agreement_png(elevations),
        "page.md": page_markdown(rows, facts).encode(),
    }
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, content in contents.items():
            _replace(folder / name, content)
    except OSError as error:
        raise OutputError(f"The results cannot be written to '{folder}': {error.strerror or error}.") from error
    return folder


def facts_of_run(command: str) -> dict[str, str]:
    """Return how and where a run was made: command, versions, date, machine."""
    versions = ", ".join(f"{name} {_version(name)}" for name in _LIBRARIES)
    return {
        "command": f"`{command}`",
        "vision-rom": __version__,
        "date": datetime.datetime.now(datetime.UTC).date().isoformat(),
        "machine": f"{platform.machine()}, {os.cpu_count()} processors, {platform.system()}",
        "Python": platform.python_version(),
        "libraries": versions,
    }


def _version(name: str) -> str:
    try:
        return importlib.metadata.version(name)
    except importlib.metadata.PackageNotFoundError:
        return "not installed"


def _replace(path: Path, content: bytes) -> None:
    handle, temporary = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        os.chmod(temporary, 0o644)
        os.replace(temporary, path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise
