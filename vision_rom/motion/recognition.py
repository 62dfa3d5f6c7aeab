"""Which movement a recording shows and which side makes it.

For a recording of one movement, and by its angle curves alone: abduction, flexion or extension, told apart by the side of
the patient that the camera sees and by the direction in which the arm leaves neutral. All movements, one after the other in
one recording, are told apart in ``naming.py``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from vision_rom.handover import SIDES, AngleCurve, Side, SmoothCurve, View, other_side
from vision_rom.motion.raises import RepetitionSettings
from vision_rom.motion.repetitions import repetitions
from vision_rom.motion.smoothing import smooth

RECOGNISED = ("abduction", "flexion", "extension")

SEEN_FLAT: Mapping[View, tuple[str, ...]] = {
    "front": ("abduction",),
    "back": ("abduction",),
    "left_side": ("flexion", "extension"),
    "right_side": ("flexion", "extension"),
    "oblique": RECOGNISED,
}
"""Movements whose plane lies in the picture's plane, or near it, by view."""

NEAR_SIDE: Mapping[View, Side] = {"left_side": "left", "right_side": "right"}

VIEW_WORDS: Mapping[View, str] = {
    "front": "seen from the front",
    "back": "seen from behind",
    "left_side": "seen from the left",
    "right_side": "seen from the right",
    "oblique": "seen at an angle",
}

SURELY_MOVES_DEG = 20.0
"""An arm that does this much moves, however much further the other one goes. Our own choice, no source."""
SHARE_OF_OTHER_SIDE = 0.5
"""Below ``SURELY_MOVES_DEG`` an arm counts as moving from this share of the other side's excursion. Our own choice."""
CLEARLY_LARGER = 1.25
"""In an oblique view the larger movement must exceed the next by this factor to be chosen. Our own choice."""


@dataclass(frozen=True, slots=True)
class MovementChoice:
    """What to measure and on which side, with the reason in words for the user."""

    movement: str | None
    """None where it cannot be told."""
    sides: tuple[Side, ...]
    """Empty where no side moves."""
    why: str


def choose_movement(
    curves: Mapping[tuple[str, Side], SmoothCurve | AngleCurve],
    *,
    view: View,
    wanted: str | None = None,
    side: Side | Literal["both"] | None = None,
    allowed: Sequence[str] = RECOGNISED,
    settings: RepetitionSettings | None = None,
) -> MovementChoice:
    """Choose the movement by view and direction, and the side that moves, as far as the user left them open.

    Parameters
    ----------
    curves
        One curve for each movement and side that could be measured, positive in the movement's own direction.
    view
        How the camera sees the patient.
    wanted, side
        What the user named; kept as it is. None leaves the choice open.
    allowed
        Movements to choose among when ``wanted`` is None.
    settings
        Of :func:`vision_rom.motion.repetitions`, by which "moves" is judged.

    """
    asked: tuple[Side, ...] = SIDES if side in (None, "both") else (side,)  # type: ignore[assignment]
    candidates = (wanted,) if wanted else tuple(name for name in SEEN_FLAT[view] if name in allowed)
    excursions = {
        (name, one): _excursion_deg(curves[name, one], settings)
        for name in candidates
        for one in asked
        if (name, one) in curves
    }
    if wanted:
        movement, why = wanted, f"{wanted.replace('_', ' ')} was asked for"
    else:
        chosen, why = _movement_by_excursion(candidates, excursions, view)
        if chosen is None:
            return MovementChoice(None, asked if side else (), why)
        movement = chosen
    if side is not None:
        named = "both sides were" if side == "both" else f"the {side} side was"
        return MovementChoice(movement, asked, f"{_sentence(why)} {_sentence(f'{named} asked for')}")
    sides, why_sides = _sides_that_move({one: excursions.get((movement, one), 0.0) for one in SIDES}, view)
    return MovementChoice(movement, sides, f"{_sentence(why)} {_sentence(why_sides)}")


def _movement_by_excursion(
    candidates: Sequence[str], excursions: Mapping[tuple[str, Side], float], view: View
) -> tuple[str | None, str]:
    """Return the candidate with the largest movement and why; None where two cannot be told apart."""
    seen = VIEW_WORDS[view]
    if not candidates:
        return (
            None,
            f"None of the movements to choose among can be measured when the patient is {seen}; name the movement.",
        )
    largest = {
        name: max((value for (of, _), value in excursions.items() if of == name), default=0.0) for name in candidates
    }
    ordered = sorted(candidates, key=lambda name: -largest[name])
    best = ordered[0]
    if largest[best] == 0.0:
        return best, f"{best} was taken because the patient is {seen}, but no arm raises and returns"
    if view == "oblique":
        runner_up = largest[ordered[1]] if len(ordered) > 1 else 0.0
        if largest[best] < CLEARLY_LARGER * runner_up:
            return None, (
                f"{best} and {ordered[1]} cannot be told apart because the patient is {seen}; "
                "name the movement, or film from straight in front or from the side."
            )
        return best, f"{best} was chosen as the largest movement ({largest[best]:.0f} deg), but the patient is {seen}"
    if len(candidates) == 1:
        return best, f"{best} was chosen because the patient is {seen} and the arm moves by {largest[best]:.0f} deg"
    direction = {"flexion": "forwards", "extension": "backwards"}.get(best, "in its direction")
    return (
        best,
        f"{best} was chosen because the patient is {seen} and the arm moves {direction} by {largest[best]:.0f} deg",
    )


def _sides_that_move(excursions: Mapping[Side, float], view: View) -> tuple[tuple[Side, ...], str]:
    """Return the sides that move and why."""
    most = max(excursions.values())
    moving = tuple(
        one
        for one in SIDES
        if excursions[one] > 0
        and (excursions[one] >= SURELY_MOVES_DEG or excursions[one] >= SHARE_OF_OTHER_SIDE * most)
    )
    if not moving:
        return (), "neither side makes a raise and return that could be measured"
    near = NEAR_SIDE.get(view)
    if near in moving and len(moving) == 2:
        return (near,), f"the {near} side was chosen because it is the one near the camera; the trunk hides the other"
    if len(moving) == 2:
        return moving, f"both sides move (left {excursions['left']:.0f} deg, right {excursions['right']:.0f} deg)"
    (one,) = moving
    why = f"the {one} side was chosen because it moves ({excursions[one]:.0f} deg) and the {other_side(one)} does not"
    if near is not None and near != one:
        why += "; it is far from the camera, partly hidden by the trunk"
    return moving, why


def _excursion_deg(curve: SmoothCurve | AngleCurve, settings: RepetitionSettings | None) -> float:
    """Return how far the repetitions of a curve go beyond their start, as a median; 0 without repetitions."""
    smoothed = curve if isinstance(curve, SmoothCurve) else smooth(curve)
    kept = repetitions(smoothed, settings=settings).kept
    # Where the raise itself was not seen, the start is the top: then the end, or neutral, stands for it.
    rises = [max(one.peak_deg - one.start_deg, 0.0) or max(one.peak_deg, 0.0) for one in kept]
    return float(np.median(rises)) if rises else 0.0


def _sentence(text: str) -> str:
    """Return the text with a capital first letter and one full stop."""
    return f"{text[0].upper()}{text[1:].rstrip('.')}."
