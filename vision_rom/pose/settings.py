"""What may be asked of the pose room."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

from vision_rom.errors import UsageError

ModelName = Literal["full", "heavy"]
PersonAsked = int | tuple[float, float] | Literal["follower", "leader"] | None
MODEL_NAMES: tuple[ModelName, ...] = get_args(ModelName)


@dataclass(frozen=True, slots=True)
class PoseSettings:
    """How the patient is found. Every field changes what is found, so every field is part of the cache's key."""

    model: ModelName = "full"
    person: PersonAsked = None
    """Who the patient is: None for the largest and most central person; N for the N-th from the left, counted from 1
    in the first picture that shows so many; ``follower`` for the one who copies what another shows, ``leader`` for the other; or a point (x_px, y_px) on the patient in the first picture where somebody
    is there."""
    max_people: int = 3
    """People looked for in one picture."""
    min_detection: float = 0.5
    """Least confidence, 0 to 1, of the detector that a person is there."""
    min_presence: float = 0.5
    """Least confidence, 0 to 1, of the landmark network that it sees a person."""

    def __post_init__(self) -> None:
        if self.model not in MODEL_NAMES:
            raise UsageError(f"There is no pose model {self.model!r}; the models are {' and '.join(MODEL_NAMES)}.")
        if not 1 <= self.max_people <= 10:
            raise UsageError(f"max_people must be 1 to 10, not {self.max_people}.")
        if isinstance(self.person, int) and not 1 <= self.person <= self.max_people:
            raise UsageError(
                f"The person must be a number from 1 to {self.max_people}, counted from the left, not {self.person}."
            )
        if isinstance(self.person, str) and self.person not in ("follower", "leader"):
            raise UsageError(f"The person must be a number, a point, follower or leader, not {self.person!r}.")
        for name in ("min_detection", "min_presence"):
            if not 0 < getattr(self, name) <= 1:
                raise UsageError(f"{name} must be more than 0 and at most 1, not {getattr(self, name)}.")
