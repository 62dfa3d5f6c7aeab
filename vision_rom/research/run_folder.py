"""The folder of a run: what it is made of, and the lock that keeps two runs out of one folder.

``run.json`` and ``manifest.csv`` say what the numbers depend on and are the same for two equal runs. ``machine.json`` and
``log.jsonl`` say on what, where and how long it ran, and differ.
"""

from __future__ import annotations

import hashlib
import json
import os
import platform
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from vision_rom import __version__
from vision_rom.errors import OutputError, UsageError
from vision_rom.pose.settings import PoseSettings
from vision_rom.research.manifest import BatchItem, items_of_manifest_text, manifest_text
from vision_rom.research.settings import BatchSettings
from vision_rom.research.tables import write_text

SCHEMA_NAME = "vision-rom/run/1"
_LIBRARIES = ("numpy", "scipy", "pandas", "av", "ai-edge-litert", "opencv-contrib-python", "pyarrow", "ezc3d")


@dataclass(frozen=True, slots=True)
class Run:
    """What a run folder says about itself."""

    folder: Path
    root: Path
    items: tuple[BatchItem, ...]
    settings: BatchSettings
    software: dict[str, Any]

    @property
    def carried(self) -> tuple[str, ...]:
        """Columns that the manifest carries through."""
        return tuple(key for key, _ in self.items[0].carried)


def software(settings: BatchSettings) -> dict[str, Any]:
    """Return the versions and model hashes that numbers depend on."""
    from vision_rom.pose.landmarker import pose_model

    model = pose_model(PoseSettings(model=settings.model))
    return {
        "vision_rom": __version__,
        "python": platform.python_version(),
        "libraries": {name: _version(name) for name in _LIBRARIES},
        "model": {"name": model.name, "sha256": model.sha256, "library": model.library},
    }


def start_or_resume(folder: Path, root: Path, items: tuple[BatchItem, ...], settings: BatchSettings) -> Run:
    """Write what a new run is made of, or make sure that an old one is made of the same.

    Raises
    ------
    UsageError
        The folder holds another run, or something else.
    OutputError
        It cannot be written.

    """
    run = Run(folder, root, items, settings, software(settings))
    document = _document(run)
    try:
        if (folder / "run.json").exists():
            _check_same(folder, document, root)
        elif folder.exists() and any(one.name != ".lock" for one in folder.iterdir()):
            raise UsageError(f"{folder} is not empty and holds no run; name a new folder with --out.")
    except NotADirectoryError:
        raise UsageError(f"{folder} is a file; name a folder with --out.") from None
    write_text(folder / "manifest.csv", manifest_text(items))
    write_text(folder / "machine.json", _json({**_machine(), "root": str(run.root)}))
    write_text(folder / "run.json", _json(document))
    return run


def read_run(folder: Path) -> Run:
    """Return what a run folder says about itself.

    Raises
    ------
    UsageError
        There is no run in it, or its manifest was changed.

    """
    try:
        document = json.loads((folder / "run.json").read_text(encoding="utf-8"))
        text = (folder / "manifest.csv").read_text(encoding="utf-8")
    except (OSError, ValueError) as error:
        raise UsageError(f"{folder} holds no run of vision-rom batch ({error}).") from error
    if document.get("manifest_sha256") != _sha256(text):
        raise UsageError(f"{folder / 'manifest.csv'} was changed after the run; put the old one back.")
    root = _root_of(folder, document)
    if root is None:
        raise UsageError(f"{folder / 'machine.json'}, which says where the recordings lie, is missing or damaged.")
    return Run(
        folder=folder,
        root=Path(root),
        items=items_of_manifest_text(text, str(folder / "manifest.csv")),
        settings=BatchSettings.from_json(document["settings"]),
        software=document["software"],
    )


@contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Keep every other run out of the folder while the block runs; a killed process leaves no lock behind.

    Raises
    ------
    UsageError
        Another run works in it.
    OutputError
        It cannot be written.

    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        file = (folder / ".lock").open("w")
    except FileExistsError:
        raise UsageError(f"{folder} is a file; name a folder with --out.") from None
    except OSError as error:
        raise OutputError(f"{folder} cannot be written ({error.strerror or error}); choose another --out.") from error
    with file:
        try:
            import fcntl
        except ImportError:  # a system without it: two runs in one folder are the user's to avoid
            yield
            return
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise UsageError(f"Another run is working in {folder}; wait for it or name another folder.") from error
        yield


def remove_leftovers(folder: Path) -> None:
    """Delete half-written temporary files that a kill left behind."""
    for place in (folder, *(one for one in folder.iterdir() if one.is_dir())):
        for path in place.glob(".writing-*"):
            path.unlink(missing_ok=True)


def _document(run: Run) -> dict[str, Any]:
    return {
        "schema": SCHEMA_NAME,
        "software": run.software,
        "settings": run.settings.as_json(),
        "seed": run.settings.seed,
        "clips": len(run.items),
        "manifest_sha256": _sha256(manifest_text(run.items)),
    }


def _root_of(folder: Path, document: dict[str, Any]) -> str | None:
    """Return where the recordings of a run lay; older runs say so in run.json itself."""
    if "root" in document:
        return str(document["root"])
    try:
        machine = json.loads((folder / "machine.json").read_text(encoding="utf-8"))
        return str(machine["root"])
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _check_same(folder: Path, document: dict[str, Any], root: Path) -> None:
    try:
        before = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    except ValueError as error:
        raise UsageError(f"{folder / 'run.json'} is damaged ({error}); name a new folder with --out.") from error
    for key, what in (
        ("manifest_sha256", "list of recordings"),
        ("settings", "settings"),
        ("software", "software versions"),
    ):
        if before.get(key) != document[key]:
            raise UsageError(
                f"{folder} holds a run with other {what}; go on with the same, or name a new folder with --out, "
                "since one table must not hold results of both."
            )
    place = _root_of(folder, before)
    if place != str(root):
        raise UsageError(f"{folder} holds a run over recordings in {place}; name a new folder with --out.")


def _machine() -> dict[str, Any]:
    return {
        "system": platform.platform(),
        "processor": platform.machine(),
        "cores": os.cpu_count(),
        "memory_mb": _memory_of_machine_mb(),
    }


def _memory_of_machine_mb() -> int | None:
    try:
        return os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") // 2**20
    except (ValueError, OSError, AttributeError):
        return None


def _version(name: str) -> str | None:
    try:
        return version(name)
    except PackageNotFoundError:
        return None


def _sha256(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _json(value: dict[str, Any]) -> str:
    return json.dumps(value, indent=2, ensure_ascii=False) + "\n"
