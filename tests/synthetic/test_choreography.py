"""Scripts over time: continuous, timed as written, and the same when stretched."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision_rom.synthetic.choreography import effort, minimum_jerk, pose_at
from vision_rom.synthetic.people import Person, make_person
from vision_rom.synthetic.pose3d import ArmPose, PoseParameters
from vision_rom.synthetic.script import (
    MOVEMENTS,
    Compensation,
    Exercise,
    PainMark,
    Repetition,
    Script,
    Stand,
    Turn,
    Walk,
    planned_repetitions,
    script_from_json,
    script_to_json,
)
from vision_rom.synthetic.scripts import examiner_beside, examiner_demonstrates, random_rest, single_movement


@pytest.fixture(scope="module")
def person() -> Person:
    return make_person(6)


def still(script: Script) -> Script:
    return replace(script, sway_deg=0.0, tremor_deg=0.0)


def numbers(pose: PoseParameters) -> np.ndarray:
    arms = [getattr(arm, f.name) for arm in (pose.left, pose.right) for f in fields(ArmPose)]
    return np.array([*arms, pose.lean_left_deg, pose.lean_back_deg, pose.turn_left_deg, pose.yaw_deg, *pose.position_m])


@pytest.mark.parametrize("movement", MOVEMENTS)
def test_nothing_jumps(person: Person, movement: str) -> None:
    """Joint centres move at less than 6 m/s, which is fast for a hand; a jump would be far above."""
    peak = {"extension": 65.0, "hand_behind_back": 0.5, "cross_body_adduction": 135.0}.get(movement, 105.0)
    compensation = Compensation(lean_away_deg=8.0, hike_m=0.02, elbow_bend_deg=15.0, drift_deg=8.0)
    script = single_movement(
        movement,  # type: ignore[arg-type]
        "right",
        (peak, 0.95 * peak),
        up_s=0.9,
        down_s=0.8,
        hold_s=0.5,
        compensation=compensation,
    )
    script = replace(script, rest=random_rest(np.random.default_rng(5)), sway_deg=1.2, tremor_deg=0.5)
    step = 0.04
    times = np.arange(-0.1, script.duration_s + 0.2, step)
    heads = np.array([person.skeleton(pose_at(script, float(t), person)).heads_m for t in times])
    assert np.linalg.norm(np.diff(heads, axis=0), axis=2).max() / step < 6.0


def test_the_order_of_acts_and_their_ends(person: Person) -> None:
    script = still(Script(acts=(Stand(1), Turn(90, 2), Walk((0.5, -0.2), 1.5), Stand(0.5)), yaw_deg=10))
    assert script.duration_s == pytest.approx(5)
    assert pose_at(script, 0.5, person).yaw_deg == pytest.approx(10)
    assert pose_at(script, 2, person).yaw_deg == pytest.approx(55)
    assert pose_at(script, 3.2, person).yaw_deg == pytest.approx(100)
    assert pose_at(script, 99, person).position_m == pytest.approx((0.5, -0.2))
    stepping = [pose_at(script, t, person) for t in np.linspace(1, 3, 40)]
    assert max(p.left_leg.knee_deg for p in stepping) > 15
    assert max(p.right_leg.knee_deg for p in stepping) > 15
    assert pose_at(script, 4.8, person).left_leg.knee_deg == 0


@settings(max_examples=20, deadline=None)
@given(st.floats(0.3, 3), st.floats(0, 1))
def test_stretching_a_script_stretches_its_poses(person: Person, factor: float, share: float) -> None:
    exercise = Exercise("flexion", "left", (Repetition(120), Repetition(140, hold_s=0.0)))
    slower = replace(
        exercise,
        ready_s=exercise.ready_s * factor,
        repetitions=tuple(
            replace(
                r, up_s=r.up_s * factor, hold_s=r.hold_s * factor, down_s=r.down_s * factor, rest_s=r.rest_s * factor
            )
            for r in exercise.repetitions
        ),
    )
    one, other = still(Script(acts=(exercise,))), still(Script(acts=(slower,)))
    time = share * one.duration_s
    assert numbers(pose_at(other, factor * time, person)) == pytest.approx(
        numbers(pose_at(one, time, person)), abs=1e-6
    )


def test_both_arms_move_alike_and_a_single_one_alone(person: Person) -> None:
    both = still(single_movement("abduction", "both", [120]))
    middle = planned_repetitions(both)[0].top_s + 0.2
    pose = pose_at(both, middle, person)
    assert pose.left == pose.right
    assert pose.left.elevation_deg == pytest.approx(120)
    alone = pose_at(still(single_movement("abduction", "right", [120])), middle, person)
    assert alone.right.elevation_deg == pytest.approx(120)
    assert alone.left.elevation_deg < 10


def test_planned_times_add_up() -> None:
    script = single_movement("abduction", "both", [80, 90], up_s=1.5, hold_s=0.5, down_s=1.0, rest_s=0.25)
    planned = planned_repetitions(script)
    assert [(p.side, p.number) for p in planned] == [("left", 0), ("right", 0), ("left", 1), ("right", 1)]
    assert planned[0].start_s == pytest.approx(0.5)
    assert planned[2].start_s == pytest.approx(0.5 + 3.25)
    assert planned[2].end_s == pytest.approx(0.5 + 3.25 + 3.0)
    assert script.duration_s == pytest.approx(2 * 0.5 + 2 * 3.25)


def test_minimum_jerk_is_that_of_flash_and_hogan() -> None:
    """Flash and Hogan 1985: 10 x^3 - 15 x^4 + 6 x^5; greatest speed 1.875 times the mean, half way."""
    x = np.linspace(0, 1, 2001)
    values = np.array([minimum_jerk(v) for v in x])
    assert values == pytest.approx(10 * x**3 - 15 * x**4 + 6 * x**5)
    speed = np.gradient(values, x)
    assert speed.max() == pytest.approx(1.875, abs=1e-3)
    assert x[speed.argmax()] == pytest.approx(0.5, abs=2e-3)
    assert minimum_jerk(-1) == 0
    assert minimum_jerk(2) == 1


def test_a_dropped_arm_falls_faster_than_a_lowered_one() -> None:
    lowered, dropped = Repetition(150, down_s=2.0), Repetition(150, down_s=2.0, drop_from_deg=90.0)
    times = np.linspace(3, 5, 401)

    def fastest(repetition: Repetition) -> float:
        angle = 5 + 145 * np.array([effort(repetition, float(t), 5.0) for t in times])
        return float(-np.gradient(angle, times).min())

    assert fastest(lowered) < 150
    assert fastest(dropped) > 300
    before_fall = 5 + 145 * effort(dropped, 3 + 1.65, 5.0)
    assert before_fall == pytest.approx(90, abs=0.5)
    assert effort(dropped, 5.0, 5.0) == pytest.approx(0)


def test_a_pain_mark_holds_the_hand_up_and_only_then(person: Person) -> None:
    script = Script(acts=(Stand(6),), pain_marks=(PainMark("left", 2, 4),))
    for time, raised in ((1.0, False), (3.0, True), (5.5, False)):
        joints = person.joints(pose_at(script, time, person))
        assert (joints["left_wrist"][2] > joints["left_shoulder"][2]) == raised
        assert joints["right_wrist"][2] < joints["right_shoulder"][2]


def test_a_hand_takes_the_time_that_it_is_given(person: Person) -> None:
    def way_s(mark: PainMark, start_s: float) -> float:
        """From 10 to 90 percent of the hand's height, after a start."""
        script = replace(still(Script(acts=(Stand(6),))), pain_marks=(mark,))
        times = np.arange(start_s - 0.1, start_s + 1.2, 0.01)
        height = np.array([person.joints(pose_at(script, float(t), person))["left_wrist"][2] for t in times])
        share = (height - height.min()) / np.ptp(height)
        return float(np.count_nonzero((share > 0.1) & (share < 0.9)) * 0.01)

    slow_up = PainMark("left", 2, 4, lift_s=0.8, lower_s=0.3)
    assert way_s(slow_up, 2) == pytest.approx(8 / 3 * way_s(slow_up, 4), rel=0.1)


def test_sway_has_the_size_it_says_and_depends_on_the_seed(person: Person) -> None:
    script = Script(acts=(Stand(1),), sway_deg=0.8, tremor_deg=0.0, seed=3)
    bend = np.array([pose_at(script, float(t), person).turn_left_deg for t in np.linspace(0, 400, 1500)])
    assert bend.std() == pytest.approx(0.8, rel=0.15)
    assert abs(bend.mean()) < 0.15
    assert pose_at(replace(script, seed=4), 1.0, person) != pose_at(script, 1.0, person)


def test_the_examiner_shows_each_movement_before_the_patient_does_it() -> None:
    first, second = single_movement("abduction", "right", [90, 95]), single_movement("flexion", "left", [80])
    patient = Script(acts=(Stand(1.0), *first.acts, Turn(-90.0), *second.acts))
    examiner, copying = examiner_demonstrates(patient, seed=2, lead_s=0.5)
    shown, done = planned_repetitions(examiner), planned_repetitions(copying)
    assert [p.movement for p in shown] == ["abduction", "flexion"]
    assert [p.movement for p in done] == ["abduction", "abduction", "flexion"]
    assert shown[0].end_s < done[0].start_s
    assert done[1].end_s < shown[1].start_s < shown[1].end_s < done[2].start_s
    assert examiner.position_m[0] > 0.8
    assert planned_repetitions(examiner_beside(5, seed=1)) == ()


@pytest.mark.parametrize(
    "script",
    [
        replace(
            single_movement("abduction", "right", (84, 92), compensation=Compensation(lean_away_deg=9.0)),
            pain_marks=(PainMark("left", 1.0, 2.0),),
        ),
        Script(
            acts=(Turn(30), Walk((1, 2)), Stand(), Exercise("extension", "both", (Repetition(20, drop_from_deg=5),)))
        ),
    ],
    ids=["patient", "every act"],
)
def test_scripts_survive_json(script: Script) -> None:
    import json

    assert script_from_json(json.loads(json.dumps(script_to_json(script)))) == script


@pytest.mark.parametrize("broken", [{}, {"acts": [{"act": "dance"}]}, {"acts": [{"act": "turn", "speed": 3}]}])
def test_what_is_no_script_is_refused(broken: dict[str, object]) -> None:
    with pytest.raises(ValueError, match="not a script"):
        script_from_json(broken)
