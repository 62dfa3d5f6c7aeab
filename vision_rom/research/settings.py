"""What a run over many recordings is told, once for all of them."""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields
from typing import Any, Literal

from vision_rom.errors import UsageError

Frames = Literal["parquet", "both", "none"]
EXPORTS = ("c3d", "jsonl")


@dataclass(frozen=True, slots=True)
class BatchSettings:
    """Settings that every number of a run depends on."""

    model: Literal["full", "heavy"] = "full"
    """Pose network"""
    rate_hz: float | None = 30.0
    """Pictures a second that are looked at; None looks at every one"""
    movement: str | None = None
    """For recordings whose row in the manifest names none; None chooses"""
    side: Literal["left", "right", "both"] | None = None
    """For recordings whose row in the manifest names none; None takes the side that moves"""
    frames: Frames = "parquet"
    """Whether landmarks and angles of every picture are written, and in which formats"""
    exports: tuple[str, ...] = ()
    """Files beside the tables: "c3d", "jsonl" """
    seed: int = 0
    """For whatever draws at random; measuring draws nothing today"""

    def __post_init__(self) -> None:
        if self.frames not in ("parquet", "both", "none"):
            raise UsageError(f"Frames are written as parquet, both or none, not {self.frames!r}.")
        unknown = [one for one in self.exports if one not in EXPORTS]
        if unknown:
            raise UsageError(f"{unknown[0]!r} is no export; the exports are {', '.join(EXPORTS)}.")
        if self.rate_hz is not None and not self.rate_hz > 0:
            raise UsageError(f"The rate must be more than 0, not {self.rate_hz:g}.")

    def as_json(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {**asdict(self), "exports": list(self.exports)}

    @classmethod
    def from_json(cls, values: dict[str, Any]) -> BatchSettings:
        """Return the settings that :meth:`as_json` wrote.

        Raises
        ------
        UsageError
            A setting that this version does not know.

        """
        known = {one.name for one in fields(cls)}
        foreign = sorted(set(values) - known)
        if foreign:
            raise UsageError(f"The run was made with the setting {foreign[0]!r}, which this version does not know.")
        return cls(**{**values, "exports": tuple(values.get("exports", ()))})
