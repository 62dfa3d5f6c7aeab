"""What the pages keep, as frozen dataclasses; times are ISO 8601 text in UTC."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from vision_rom.handover import Step
from vision_rom.records.database import now

Role = Literal["clinician", "assistant"]
JobKind = Literal["look", "measure", "draw", "annotate"]


@dataclass(frozen=True, slots=True)
class Session:
    """Somebody who signed in."""

    name: str
    role: Role
    form_token: str
    """Comes with every change, so that another site's page cannot make one"""


@dataclass(frozen=True, slots=True)
class HomeTask:
    """Movements that a patient was asked to record at home."""

    id: int
    patient_id: int
    steps: tuple[Step, ...]
    language: str
    shows_angle: bool
    expires_at: str
    uses_left: int
    revoked: bool
    made_by: str
    created_at: str

    @property
    def open(self) -> bool:
        """Whether its link still opens: it was not revoked and has not expired, whatever uses are left."""
        return not self.revoked and self.expires_at > now()


@dataclass(frozen=True, slots=True)
class HomeRun:
    """One time that the patient goes through a task."""

    id: int
    task_id: int
    visit_id: int | None
    pain_at_rest: float
    finished: bool
    stopped: str
    """Why the patient stopped early; empty where not"""
    created_at: str


@dataclass(frozen=True, slots=True)
class Upload:
    """A recording that comes in, or came in."""

    id: str
    visit_id: int | None
    run_id: int | None
    name: str
    """As the browser named it; shown, never used as a path"""
    size: int
    movement: str | None
    side: str | None
    mirrored: bool
    state: str
    path: str | None
    message: str
    created_at: str


@dataclass(frozen=True, slots=True)
class Job:
    """Work in the background."""

    id: int
    kind: JobKind
    upload_id: str | None
    clip_id: int | None
    state: str
    share: float | None
    stage: str
    message: str
    who: str
    created_at: str
