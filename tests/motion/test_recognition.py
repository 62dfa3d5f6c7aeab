"""Which movement and side. Truth: curves of a drawn arm, flexion positive forwards, extension its negative."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pytest

from vision_rom.handover import AngleCurve, Floats, Side, View
from vision_rom.motion import MovementChoice, choose_movement, smooth

DURATION_S = 12.0


def curves_of(
    draw: Any, *, abduction: dict[Side, Floats] | None = None, forwards: dict[Side, Floats] | None = None
) -> dict[tuple[str, Side], AngleCurve]:
    time_s = draw.times(DURATION_S)
    curves = {}
    for side, angle_deg in (abduction or {}).items():
        curves["abduction", side] = draw.curve(time_s, angle_deg, side=side)
    for side, angle_deg in (forwards or {}).items():
        curves["flexion", side] = draw.curve(time_s, angle_deg, movement="flexion", side=side)
        curves["extension", side] = draw.curve(time_s, -angle_deg, movement="extension", side=side)
    return curves


@pytest.fixture
def still(draw: Any) -> Floats:
    return np.asarray(12 + draw.jitter(np.random.default_rng(0), draw.times(DURATION_S).size, 1.5, 0.5))


@pytest.fixture
def raised(draw: Any) -> Any:
    return lambda *tops: draw.raises(draw.times(DURATION_S), *tops)


@pytest.mark.parametrize("view", ["front", "back"])
@pytest.mark.parametrize(("mover", "other"), [("left", "right"), ("right", "left")])
def test_abduction_of_the_side_that_moves(
    draw: Any, raised: Any, still: Floats, view: View, mover: Side, other: Side
) -> None:
    curves = curves_of(
        draw, abduction={mover: raised(150, 140), other: still}, forwards={mover: raised(170, 170), other: still}
    )
    choice = choose_movement(curves, view=view)
    assert (choice.movement, choice.sides) == ("abduction", (mover,))
    assert f"the {mover} side" in choice.why.lower()
    assert ("front" if view == "front" else "behind") in choice.why


def test_both_sides_when_both_move_even_if_one_is_stiff(draw: Any, raised: Any) -> None:
    choice = choose_movement(
        curves_of(draw, abduction={"left": raised(35, 35), "right": raised(170, 170)}), view="front"
    )
    assert choice.sides == ("left", "right")
    left_deg, right_deg = re.search(r"Both sides move \(left (\d+) deg, right (\d+) deg\)", choice.why).groups()
    assert (float(left_deg), float(right_deg)) == pytest.approx((35, 170), abs=2)


def test_an_arm_that_only_sways_along_does_not_move(draw: Any, raised: Any) -> None:
    choice = choose_movement(
        curves_of(draw, abduction={"left": raised(15, 15), "right": raised(170, 170)}), view="front"
    )
    assert choice.sides == ("right",)


@pytest.mark.parametrize(
    ("sign", "tops", "movement", "word"),
    [
        (1, (160, 150), "flexion", "forwards"),
        (-1, (45, 40), "extension", "backwards"),
        (-1, (22, 20), "extension", "backwards"),
    ],
)
@pytest.mark.parametrize(("view", "near"), [("left_side", "left"), ("right_side", "right")])
def test_flexion_and_extension_by_direction(
    draw: Any,
    raised: Any,
    still: Floats,
    sign: int,
    tops: tuple[float, ...],
    movement: str,
    word: str,
    view: View,
    near: Side,
) -> None:
    far: Side = "right" if near == "left" else "left"
    curves = curves_of(draw, forwards={near: sign * raised(*tops), far: still - 12})
    choice = choose_movement(curves, view=view)
    assert (choice.movement, choice.sides) == (movement, (near,))
    assert word in choice.why


def test_a_swing_back_before_flexion_is_still_flexion(draw: Any, raised: Any) -> None:
    choice = choose_movement(curves_of(draw, forwards={"left": raised(-25, 150)}), view="left_side")
    assert choice.movement == "flexion"


def test_from_the_side_the_near_arm_is_taken(draw: Any, raised: Any) -> None:
    curves = curves_of(draw, forwards={"left": raised(150, 150), "right": raised(155, 155)})
    choice = choose_movement(curves, view="left_side")
    assert choice.sides == ("left",)
    assert "near the camera" in choice.why


def test_the_far_arm_is_taken_with_a_warning_if_it_alone_moves(draw: Any, raised: Any, still: Floats) -> None:
    choice = choose_movement(
        curves_of(draw, forwards={"left": still - 12, "right": raised(150, 150)}), view="left_side"
    )
    assert choice.sides == ("right",)
    assert "far from the camera" in choice.why


def test_at_an_angle_the_clearly_larger_movement_or_none(draw: Any, raised: Any) -> None:
    clear = choose_movement(
        curves_of(draw, abduction={"left": raised(150, 150)}, forwards={"left": raised(80, 80)}), view="oblique"
    )
    assert clear.movement == "abduction"
    assert "at an angle" in clear.why
    unclear = choose_movement(
        curves_of(draw, abduction={"left": raised(150, 150)}, forwards={"left": raised(140, 140)}), view="oblique"
    )
    assert unclear.movement is None
    assert unclear.sides == ()
    assert "abduction and flexion cannot be told apart" in unclear.why


def test_what_the_user_names_is_kept(draw: Any, raised: Any, still: Floats) -> None:
    curves = curves_of(
        draw, abduction={"left": raised(150, 150), "right": still}, forwards={"left": still, "right": still}
    )
    by_movement = choose_movement(curves, view="oblique", wanted="abduction")
    assert (by_movement.movement, by_movement.sides) == ("abduction", ("left",))
    assert choose_movement(curves, view="front", side="right").sides == ("right",)
    both = choose_movement(curves, view="left_side", wanted="abduction", side="both")
    assert both == MovementChoice("abduction", ("left", "right"), "Abduction was asked for. Both sides were asked for.")


def test_nothing_moves(draw: Any, still: Floats) -> None:
    choice = choose_movement(curves_of(draw, abduction={"left": still, "right": still}), view="front")
    assert (choice.movement, choice.sides) == ("abduction", ())
    assert "Neither side" in choice.why
    assert choose_movement({}, view="front").sides == ()
    assert choose_movement({}, view="front", allowed=("flexion",)).movement is None


def test_a_raise_that_began_before_the_recording_counts_from_neutral(draw: Any, still: Floats) -> None:
    time_s = draw.times(DURATION_S)
    held_up = draw.raises(time_s + 3.2, 150.0, hold_s=4.0)
    choice = choose_movement(curves_of(draw, abduction={"left": held_up, "right": still}), view="front")
    assert choice.sides == ("left",)


def test_smoothed_curves_do_as_well(draw: Any, raised: Any, still: Floats) -> None:
    curves = curves_of(draw, abduction={"left": raised(150, 150), "right": still})
    smoothed = {key: smooth(curve) for key, curve in curves.items()}
    assert choose_movement(curves, view="front") == choose_movement(smoothed, view="front")


def test_mirrored_recording_gives_the_mirrored_choice(draw: Any, raised: Any, still: Floats) -> None:
    curves = curves_of(draw, abduction={"left": raised(150, 140), "right": still})
    mirrored = {(name, "right" if side == "left" else "left"): curve for (name, side), curve in curves.items()}
    assert choose_movement(curves, view="front").sides == ("left",)
    assert choose_movement(mirrored, view="front").sides == ("right",)
