"""The catalogue: every movement of every joint, checked and put together."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources.abc import Traversable
from math import ceil, floor
from pathlib import Path
from types import MappingProxyType
from typing import Any

from vision_rom.errors import InstallationError, UsageError
from vision_rom.movements.codes import loinc_check_digit_holds, snomed_check_digit_holds
from vision_rom.movements.files import PACKAGE_FOLDER, read_file
from vision_rom.movements.model import (
    Code,
    Movement,
    Norm,
    PublishedError,
    Rule,
    Safety,
    SideDifference,
    Source,
    Zone,
)

DEFAULT_REPETITIONS = 3
"""Three active efforts (AMA Guides 6th ed.)."""
DEFAULT_HOLD_S = 2.0
"""Our own choice: a held value needs a plateau of at least 0.5 s to be averaged over."""
DEFAULT_CAMERA_DISTANCE_M = 3.0
"""Used in published validations (Sensors 2023;23:6445); nearer, perspective adds error."""
_RULE_LISTS = ("do_not_test", "cautions", "same_day", "urgent", "think_elsewhere", "stop", "home")


@dataclass(frozen=True, slots=True, kw_only=True)
class Catalogue:
    """All movements by name, in the order of the files, and what holds for each of them."""

    movements: Mapping[str, Movement]
    safety: Safety

    def __iter__(self) -> Iterator[Movement]:
        return iter(self.movements.values())

    def __len__(self) -> int:
        return len(self.movements)

    def __contains__(self, name: object) -> bool:
        return name in self.movements

    def __getitem__(self, name: str) -> Movement:
        try:
            return self.movements[name]
        except KeyError:
            raise UsageError(f"There is no movement '{name}'; the movements are {', '.join(self.movements)}.") from None

    def measured(self) -> tuple[Movement, ...]:
        """Movements that the program measures by itself."""
        return tuple(movement for movement in self if movement.status == "measured")

    def readable(self) -> tuple[Movement, ...]:
        """Movements that it measures by itself or from a person's mark; the others are there as facts only."""
        return tuple(movement for movement in self if movement.status != "planned")


def load_catalogue(extra: Iterable[Path] = ()) -> Catalogue:
    """Return the catalogue of the package, with further joint files if any are given.

    A file may add movements to a joint that exists already. Raises :class:`UsageError` for a file that is missing,
    malformed or contradicts another, :class:`InstallationError` where that file is one of the package.
    """
    added = tuple(Path(path) for path in extra)
    return _with_files(added) if added else _package_catalogue()


def movement(name: str) -> Movement:
    """Return one movement of the package; :class:`UsageError` lists the names where it does not exist."""
    return _package_catalogue()[name]


@lru_cache
def _package_catalogue() -> Catalogue:
    try:
        return _with_files(())
    except UsageError as error:
        # the user did not write these files: the installation is damaged
        raise InstallationError(f"{error} This file belongs to the package; install vision-rom again.") from error


def _with_files(extra: tuple[Path, ...]) -> Catalogue:
    safety, sources, joints = _packaged_files()
    found: dict[str, Movement] = {}
    for path, data in (*joints, *((path, read_file(path, "joint")) for path in extra)):
        known = {**sources, **_sources(data.get("sources", {}))}
        for name, entry in data["movements"].items():
            if name in found:
                raise UsageError(
                    f"{path}: the movement '{name}' is already defined for the {found[name].joint}; name it otherwise."
                )
            found[name] = _Reader(str(path), data["joint"], name, known, safety).movement(entry)
    _check_relations(found)
    return Catalogue(movements=MappingProxyType(found), safety=safety)


@lru_cache
def _packaged_files() -> tuple[Safety, dict[str, Source], tuple[tuple[Path | Traversable, dict[str, Any]], ...]]:
    """Return the package's own files, whose check takes far longer than that of one file more."""
    safety = _safety(read_file(PACKAGE_FOLDER / "safety.toml", "safety"))
    sources = _sources(read_file(PACKAGE_FOLDER / "sources.toml", "sources")["sources"])
    packaged = sorted((PACKAGE_FOLDER / "joints").iterdir(), key=lambda path: (path.name != "shoulder.toml", path.name))
    return safety, sources, tuple((path, read_file(path, "joint")) for path in packaged if path.name.endswith(".toml"))


def _sources(entries: Mapping[str, dict[str, str]]) -> dict[str, Source]:
    return {key: Source(key=key, **entry) for key, entry in entries.items()}


def _safety(data: dict[str, Any]) -> Safety:
    rules = {key: tuple(Rule(**entry) for entry in data[key]) for key in _RULE_LISTS}
    return Safety(instruction=" ".join(data["instruction"].split()), **rules)


def _check_relations(found: Mapping[str, Movement]) -> None:
    for name, item in found.items():
        if item.opposite is not None:
            other = found.get(item.opposite)
            if other is None or other.opposite != name or other.direction != -item.direction:
                raise UsageError(
                    f"The movement '{name}' names '{item.opposite}' as its opposite, which must exist, name '{name}' "
                    "in return and have the other direction."
                )
        for part in item.parts:
            if part not in found:
                raise UsageError(f"The movement '{name}' is a sum with the part '{part}', which does not exist.")


class _Reader:
    """Turns one checked table of a file into a movement."""

    def __init__(self, file: str, joint: str, name: str, sources: Mapping[str, Source], safety: Safety) -> None:
        self.file, self.joint, self.name, self.sources, self.safety = file, joint, name, sources, safety

    def fail(self, where: str, what: str) -> UsageError:
        return UsageError(f"{self.file}: movements.{self.name}.{where} {what}")

    def movement(self, entry: dict[str, Any]) -> Movement:
        unit = entry.get("unit", "deg")
        change = entry.get("change_floor", {})
        norms = [self.norm(item, unit, f"norms[{i}]") for i, item in enumerate(entry["norms"], 1)]
        for i, band in enumerate(entry.get("norm_bands", ()), 1):
            norms.extend(self.bands(band, unit, f"norm_bands[{i}]"))
        limits = self.ordered(entry["physical_limits"], "physical_limits")
        return Movement(
            name=self.name,
            joint=self.joint,
            unit=unit,
            plane_angle_deg=entry.get("plane_angle_deg"),
            opposite=entry.get("opposite"),
            better=entry.get("better", "larger"),
            fixed_points=_pair(entry["fixed_points"]) if "fixed_points" in entry else None,
            moving_points=_pair(entry["moving_points"]),
            views=tuple(entry["views"]),
            camera_distance_m=float(entry.get("camera_distance_m", DEFAULT_CAMERA_DISTANCE_M)),
            instruction=f"{entry['instruction']} {self.safety.instruction}",
            repetitions=entry.get("repetitions", DEFAULT_REPETITIONS),
            hold_s=float(entry.get("hold_s", DEFAULT_HOLD_S)),
            watch=tuple(entry["watch"]),
            norms=tuple(norms),
            change_floor=change.get("value"),
            change_floor_trust=change.get("trust"),
            change_floor_note=change.get("note", ""),
            errors=tuple(
                PublishedError(**{"unit": unit, **item, "source": self.source(item["source"], f"errors[{i}]")})
                for i, item in enumerate(entry.get("errors", ()), 1)
            ),
            side_differences=tuple(
                SideDifference(
                    **{"unit": unit, "sex": "any", **item, "source": self.source(item["source"], "side_differences")}
                )
                for item in entry.get("side_differences", ())
            ),
            do_not_test=self.safety.do_not_test + tuple(Rule(**rule) for rule in entry.get("do_not_test", ())),
            cautions=self.safety.cautions + tuple(Rule(**rule) for rule in entry.get("cautions", ())),
            stop_rules=self.safety.stop,
            codes=tuple(self.code(item, f"codes[{i}]") for i, item in enumerate(entry.get("codes", ()), 1)),
            physical_limits=limits,
            parts=tuple(entry.get("parts", ())),
            zones=tuple(Zone(**zone) for zone in entry.get("zones", ())),
            sources=tuple(self.source(key, "sources") for key in entry["sources"]),
            **{key: entry[key] for key in _TAKEN_AS_WRITTEN},
        )

    def source(self, key: str, where: str) -> Source:
        if key not in self.sources:
            raise self.fail(where, f"quotes the source '{key}', which no [sources.{key}] describes.")
        return self.sources[key]

    def ordered(self, pair: list[float], where: str) -> tuple[float, float]:
        low, high = pair
        if not low < high:
            raise self.fail(where, f"is [{low:g}, {high:g}]; the first must be below the second.")
        return low, high

    def norm(self, item: dict[str, Any], unit: str, where: str) -> Norm:
        item = dict(item)
        source = self.source(item.pop("source"), where)
        percentiles = tuple((p, float(item.pop(f"p{p}"))) for p in (5, 10, 25, 50, 75, 90, 95) if f"p{p}" in item)
        values = [value for _, value in percentiles]
        if values != sorted(values) and values != sorted(values, reverse=True):
            raise self.fail(where, f"has percentiles that rise and fall: {values}.")
        if values:
            item.setdefault("median", dict(percentiles)[50])
        if "low" in item:
            self.ordered([item["low"], item["high"]], f"{where}.low and high")
        ages = item.pop("ages", None)
        mean_age = item.pop("mean_age", None)
        if ages is None and mean_age is not None:
            ages = [floor(mean_age[0] - 2 * mean_age[1]), ceil(mean_age[0] + 2 * mean_age[1])]
            own = f"mean age {mean_age[0]:g}, SD {mean_age[1]:g}; the ages are mean +/- 2 SD, rounded outward"
            item["note"] = "; ".join(filter(None, (item.get("note"), own)))
        return Norm(
            source=source,
            ages=None if ages is None else self.ordered(ages, f"{where}.ages"),
            percentiles=percentiles,
            position=item.pop("position", source.position),
            **{"role": "population", "unit": unit, **item},
        )

    def bands(self, table: dict[str, Any], unit: str, where: str) -> list[Norm]:
        shared: dict[str, Any] = {key: table[key] for key in ("source", "trust", "side", "motion") if key in table}
        for sex in ("male", "female"):
            if len(table[sex]) != len(table["ages"]):
                raise self.fail(
                    where, f"has {len(table['ages'])} bands of age, but {len(table[sex])} values under '{sex}'."
                )
        return [
            self.norm({**shared, table["statistic"]: value, "sex": sex, "ages": ages}, unit, where)
            for sex in ("male", "female")
            for ages, value in zip(table["ages"], table[sex], strict=True)
        ]

    def code(self, item: dict[str, Any], where: str) -> Code:
        holds = loinc_check_digit_holds if item["system"] == "LOINC" else snomed_check_digit_holds
        if not holds(item["code"]):
            raise self.fail(
                where, f"is the {item['system']} code {item['code']}, whose check digit is wrong; look it up again."
            )
        return Code(**{"display": "", "motion": "not_stated", "laterality": "none", **item})


_TAKEN_AS_WRITTEN = (
    "title",
    "status",
    "kind",
    "plane",
    "direction",
    "position",
    "definition",
    "axis",
    "fulcrum",
    "fixed_arm",
    "moving_arm",
    "zero",
    "sign",
    "camera_azimuth_deg",
    "camera_height",
    "filming",
)


def _pair(points: list[str]) -> tuple[str, str]:
    return points[0], points[1]
