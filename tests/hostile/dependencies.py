"""Write what is locked, when it was released, and the newest release that the project would take now. Run by hand, with an index.

    python tests/hostile/dependencies.py tests/hostile/dependencies.csv

``uv lock --upgrade`` in a temporary folder says what the newest are (within what ``pyproject.toml`` allows and the others bear); the
dates are those of ``uv.lock``. This is the age of what is installed, and no list of known faults: no advisory database is asked.
"""

from __future__ import annotations

import csv
import shutil
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

PROJECT = Path(__file__).resolve().parents[2]
COLUMNS = ("package", "locked", "released", "newest_that_fits", "newest_released")


def main(target: Path) -> None:
    """Write the table and say how much is behind."""
    with tempfile.TemporaryDirectory() as place:
        for name in ("pyproject.toml", "uv.lock", "README.md", "LICENSE"):
            shutil.copy(PROJECT / name, place)
        subprocess.run(["uv", "lock", "--upgrade", "--quiet"], cwd=place, check=True)
        now, newest = (packages(Path(folder) / "uv.lock") for folder in (PROJECT, place))
    rows = [row(name, now[name], newest.get(name, {})) for name in sorted(now)]
    with target.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    behind = [one for one in rows if one["locked"] != one["newest_that_fits"]]
    sys.stdout.write(f"{len(rows)} packages, {len(behind)} of them behind the newest that fits\n")
    sys.stdout.writelines(f"  {one['package']} {one['locked']}: {one['newest_that_fits']}\n" for one in behind)


def packages(lock: Path) -> dict[str, dict[str, str]]:
    """Return by name the versions that a lock file holds, one or one for each Python, with their days."""
    found: dict[str, dict[str, str]] = {}
    for one in tomllib.loads(lock.read_text(encoding="utf-8"))["package"]:
        if "registry" in one["source"]:
            found.setdefault(one["name"], {})[one["version"]] = released(one)
    return found


def released(package: Mapping[str, Any]) -> str:
    """Return the day on which the first file of a release was uploaded; empty where the index does not tell."""
    files = [*package.get("wheels", ()), *([package["sdist"]] if "sdist" in package else [])]
    return min((str(one["upload-time"])[:10] for one in files if "upload-time" in one), default="")


def row(name: str, locked: Mapping[str, str], newest: Mapping[str, str]) -> dict[str, str]:
    """Return a line of the table."""
    cells = (name, *(" ".join(each) for one in (locked, newest) for each in (one, one.values())))
    return dict(zip(COLUMNS, cells, strict=True))


if __name__ == "__main__":
    main(Path(sys.argv[1]))
