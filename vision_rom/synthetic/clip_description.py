"""Everything that a rendered clip is made from, as a short text: who, where, what they do, and through which phone.

A description is a frozen dataclass that can be written as TOML or JSON and read back unchanged; what is at its default is
left out. An example::

    person = 7
    room = 3
    seed = 11

    [camera]
    view = "front"
    distance_m = 2.8

    [[script.acts]]
    act = "exercise"
    movement = "abduction"
    side = "right"
    repetitions = [{ peak = 150 }, { peak = 156 }]
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision_rom.errors import UsageError
from vision_rom.outside_text import NotPlain, json_of, toml_of
from vision_rom.synthetic.camera import Camera
from vision_rom.synthetic.encode import ROTATIONS_DEG, steady_times_s, uneven_times_s
from vision_rom.synthetic.phone import Phone
from vision_rom.synthetic.plain import from_plain, to_plain, to_toml
from vision_rom.synthetic.script import Exercise, Movement, Script, Stand, Traced, Turn, Walk

TAGS: dict[type, str] = {Exercise: "exercise", Traced: "traced", Turn: "turn", Walk: "walk", Stand: "stand"}
LONGEST_S = 600.0
PEAK_LIMITS: dict[Movement, tuple[float, float]] = {
    "abduction": (5.0, 180.0),
    "scaption": (5.0, 180.0),
    "flexion": (5.0, 180.0),
    "extension": (5.0, 90.0),
    "cross_body_adduction": (60.0, 150.0),
    "external_rotation": (-45.0, 110.0),
    "internal_rotation": (-45.0, 110.0),
    "external_rotation_90": (-45.0, 130.0),
    "internal_rotation_90": (-45.0, 110.0),
    "hand_behind_back": (0.3, 1.2),
    "elbow_flexion": (30.0, 150.0),
}
"""What a peak may be at all, in its own unit; no clinical meaning."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bystander:
    """A second person in view."""

    person: int
    script: Script


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipDescription:
    """A rendered clip before it is rendered."""

    person: int
    """Seed of the invented person"""
    script: Script
    """What the person does"""
    bystander: Bystander | None = None
    camera: Camera = field(default_factory=Camera)
    room: int = 0
    """Seed of the room"""
    phone: Phone = field(default_factory=Phone)
    rate_hz: float = 30.0
    variable_rate: bool = False
    """Uneven steps and dropped pictures, as phones write them when they are busy"""
    rotation_deg: int = 0
    """Pictures are stored turned, and players must turn them clockwise by this"""
    crf: int = 24
    """Strength of H.264's compression, 0 to 51"""
    seed: int = 0
    """Of the pictures' noise and the uneven times"""

    def __post_init__(self) -> None:
        for name, low, high in (
            ("person", 0, 2**31),
            ("room", 0, 2**31),
            ("seed", 0, 2**31),
            ("rate_hz", 1, 240),
            ("crf", 0, 51),
        ):
            if not low <= getattr(self, name) <= high:
                raise UsageError(f"A clip's {name} lies between {low} and {high}, not at {getattr(self, name)}.")
        if self.rotation_deg not in ROTATIONS_DEG:
            raise UsageError(f"A clip's rotation_deg is 0, 90, 180 or 270, not {self.rotation_deg}.")
        _check_script(self.script)
        if self.bystander is not None:
            _check_script(self.bystander.script)

    def times_s(self) -> NDArray[np.float64]:
        """Return the times (n,) of the pictures, from 0 to the script's end."""
        count = max(math.ceil(self.script.duration_s * self.rate_hz), 1)
        if self.variable_rate:
            return uneven_times_s(count, self.rate_hz, np.random.default_rng((self.seed, 3)))
        return steady_times_s(count, self.rate_hz)


def _check_script(script: Script) -> None:
    if not script.acts:
        raise UsageError("A script needs at least one act.")
    for act in script.acts:
        if isinstance(act, Exercise):
            _check_exercise(act)
            continue
        if isinstance(act, Traced):
            _check_traced(act)
        if not act.seconds > 0:
            raise UsageError(f"An act lasts longer than 0 s, not {act.seconds} s.")
    if not script.duration_s <= LONGEST_S:
        raise UsageError(f"A rendered clip lasts at most {LONGEST_S:g} s, not {script.duration_s:g} s.")


def _check_traced(act: Traced) -> None:
    counts = {len(part) for part in (act.time_s, act.left, act.right, act.trunk)}
    if counts == {0} or len(counts) > 1:
        raise UsageError(
            "A traced repetition has as many keyframes of left, right and trunk as times, and at least one."
        )
    if act.time_s[0] < 0 or any(b <= a for a, b in itertools.pairwise(act.time_s)):
        raise UsageError("The times of a traced repetition increase from 0 s on.")
    if {len(k) for k in act.left + act.right} != {6} or {len(k) for k in act.trunk} != {3}:
        raise UsageError("A keyframe of a traced repetition has 6 numbers for each arm and 3 for the trunk.")


def _check_exercise(exercise: Exercise) -> None:
    low, high = PEAK_LIMITS[exercise.movement]
    if not exercise.repetitions:
        raise UsageError(f"The exercise '{exercise.movement}' needs at least one repetition.")
    if not exercise.ready_s > 0:
        raise UsageError(f"An exercise's ready_s is longer than 0 s, not {exercise.ready_s}.")
    for repetition in exercise.repetitions:
        if not low <= repetition.peak <= high:
            limits = f"between {low:g} and {high:g}"
            raise UsageError(f"A peak of '{exercise.movement}' lies {limits}, not at {repetition.peak}.")
        if not (repetition.up_s > 0 and repetition.down_s > 0 and repetition.hold_s >= 0 and repetition.rest_s >= 0):
            raise UsageError(f"The times of a repetition are positive; look at {repetition}.")


def description_to_plain(description: ClipDescription) -> dict[str, Any]:
    """Return the description as dictionaries, lists, numbers and texts, without what is at its default."""
    plain: dict[str, Any] = to_plain(description, tags=TAGS)
    return plain


def description_from_plain(document: Any) -> ClipDescription:
    """Read what :func:`description_to_plain` made; UsageError says what is wrong and where."""
    return from_plain(ClipDescription, document, tags=TAGS, where="clip")


def description_to_toml(description: ClipDescription) -> str:
    """Return the description as the text of a TOML file."""
    return to_toml(description_to_plain(description))


def read_description(path: Path) -> ClipDescription:
    """Read a description from a ``.toml`` or ``.json`` file; UsageError says what is wrong and where."""
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(f"The description '{path}' cannot be read: {error}.") from error
    try:
        document = json_of(text) if path.suffix.lower() == ".json" else toml_of(text)
    except NotPlain as error:
        raise UsageError(f"The description '{path}' is not {path.suffix[1:].upper() or 'TOML'}: {error}.") from error
    try:
        return description_from_plain(document)
    except UsageError as error:
        raise UsageError(f"In '{path}': {error}") from error
