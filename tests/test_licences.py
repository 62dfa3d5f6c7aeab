"""The page on licences names everything that is not ours."""

from __future__ import annotations

import re
import tomllib
from importlib import metadata
from pathlib import Path

ROOT = Path(__file__).parents[1]
PAGE = (ROOT / "vision_rom" / "LICENCES.md").read_text(encoding="utf-8")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
LOCK = tomllib.loads((ROOT / "uv.lock").read_text(encoding="utf-8"))["package"]


def canonical(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def asked_for(requirements: list[str]) -> set[str]:
    names = {canonical(re.split(r"[\[<>=;~! ]", one)[0]) for one in requirements}
    return names - {"vision-rom"}


def rows(after: str, before: str) -> list[list[str]]:
    """Return the cells of the tables between two pieces of the page, without heads."""
    text = PAGE[PAGE.index(after) : PAGE.index(before)]
    lines = [line for line in text.splitlines() if line.startswith("| ")]
    return [
        [cell.strip() for cell in line.strip("|").split("|")]
        for line in lines
        if not line.startswith(("| package |", "| licence |"))
    ]


DIRECT = {name: licence for name, _, _, licence in rows("## What an installation asks for", "These bring along:")}
BROUGHT = {
    name: licence for licence, names in rows("These bring along:", "Tests and tools of") for name in names.split(", ")
}
TESTS = {
    name: licence for licence, names in rows("Tests and tools of", "## What that asks") for name in names.split(", ")
}


def locked(extras: list[str]) -> set[str]:
    """Return every package that the lock file holds for the plain installation and some extras."""
    packages: dict[str, list[dict]] = {}
    for one in LOCK:
        packages.setdefault(one["name"], []).append(one)
    own = packages["vision-rom"][0]
    waiting = [*own["dependencies"], *(one for extra in extras for one in own["optional-dependencies"][extra])]
    found: set[tuple[str, tuple[str, ...]]] = set()
    while waiting:
        wanted = waiting.pop()
        key = (wanted["name"], tuple(wanted.get("extra", ())))
        if key in found:
            continue
        found.add(key)
        for one in packages[key[0]]:
            waiting += one.get("dependencies", [])
            for extra in key[1]:
                waiting += one.get("optional-dependencies", {}).get(extra, [])
    return {name for name, _ in found} - {"vision-rom"}


def test_every_dependency_of_the_project_has_its_licence() -> None:
    extras = PROJECT["optional-dependencies"]
    wanted = asked_for(PROJECT["dependencies"])
    for name, requirements in extras.items():
        if name != "test":
            wanted |= asked_for(requirements)
    assert set(DIRECT) == wanted
    assert asked_for(extras["test"]) <= {*DIRECT, *BROUGHT, *TESTS}


def test_every_package_of_the_lock_file_has_its_licence() -> None:
    used = [name for name in PROJECT["optional-dependencies"] if name != "test"]
    assert {*DIRECT, *BROUGHT} == locked(used)
    assert set(TESTS) == locked(["test"]) - {*DIRECT, *BROUGHT}


def test_licences_are_those_that_the_packages_state() -> None:
    """Of what is installed in the version of the lock file; older packages state it in words, which were read by a person."""
    versions = {(one["name"], one.get("version")) for one in LOCK}
    compared = 0
    for name, licence in {**DIRECT, **BROUGHT, **TESTS}.items():
        try:
            package = metadata.metadata(name)
        except metadata.PackageNotFoundError:
            continue  # for another system or another extra
        stated = package.get("License-Expression")
        if stated and (name, package["Version"]) in versions:
            compared += 1
            assert licence == stated, name
    assert compared > 0


def test_everything_that_lies_in_the_repository_is_named_and_has_its_text() -> None:
    table = PAGE[PAGE.index("## In the repository") : PAGE.index("## What an installation asks for")]
    for folder in (ROOT / "tests" / "outside_data").iterdir():
        if folder.is_dir():
            assert f"`tests/outside_data/{folder.name}`" in table or f"`{folder.name}`" in table, folder.name
    vendored = [path for path in (ROOT / "vision_rom/web/static/vendor").iterdir() if path.suffix in (".js", ".css")]
    assert vendored
    assert all(f"{path.name}`" in table for path in vendored)
    texts = re.findall(r"`([\w./]+(?:LICENSE|\.md))`", PAGE)
    assert texts
    assert [name for name in texts if not (ROOT / name).is_file()] == []
