"""Descriptions survive TOML and JSON, and every mistake in one gets a sentence."""

from __future__ import annotations

import json
import tomllib
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision_rom.errors import UsageError
from vision_rom.synthetic.camera import Camera
from vision_rom.synthetic.clip_description import (
    PEAK_LIMITS,
    Bystander,
    ClipDescription,
    description_from_plain,
    description_to_plain,
    description_to_toml,
    read_description,
)
from vision_rom.synthetic.phone import draw_phone
from vision_rom.synthetic.pose3d import ArmPose
from vision_rom.synthetic.script import MOVEMENTS, Compensation, Gesture, PainMark, Script, Stand, Traced, Turn
from vision_rom.synthetic.scripts import random_rest, single_movement

SHORT = 'person = 7\n[[script.acts]]\nact = "exercise"\nmovement = "abduction"\nside = "right"\nrepetitions = [{ peak = 150 }]\n'


@st.composite
def descriptions(draw):
    rng = np.random.default_rng(draw(st.integers(0, 2**20)))
    movement = draw(st.sampled_from(MOVEMENTS))
    low, high = PEAK_LIMITS[movement]
    script = single_movement(
        movement,
        draw(st.sampled_from(["left", "right", "both"])),
        draw(st.lists(st.floats(low, high), min_size=1, max_size=3)),
        up_s=draw(st.floats(0.5, 4.0)),
        seed=draw(st.integers(0, 2**31 - 1)),
        compensation=Compensation(lean_away_deg=draw(st.floats(-5.0, 15.0))),
    )
    script = replace(script, rest=random_rest(rng), tremor_deg=draw(st.sampled_from([0.1, 0.5])))
    return ClipDescription(
        person=draw(st.integers(0, 1000)),
        script=script,
        bystander=draw(st.sampled_from([None, Bystander(person=3, script=Script(acts=(Stand(2.0), Turn(-30.0))))])),
        camera=Camera(
            off_plane_deg=draw(st.floats(-60, 60)),
            view=draw(st.sampled_from(["front", "back"])),
            k1=draw(st.floats(-0.05, 0.05)),
        ),
        phone=draw_phone(rng),
        rate_hz=draw(st.sampled_from([24.0, 30.0, 29.97, 240.0])),
        variable_rate=draw(st.booleans()),
        rotation_deg=draw(st.sampled_from([0, 90])),
        seed=draw(st.integers(0, 99)),
    )


@given(description=descriptions())
def test_toml_and_json_round_trips_change_nothing(description):
    assert description_from_plain(tomllib.loads(description_to_toml(description))) == description
    assert description_from_plain(json.loads(json.dumps(description_to_plain(description)))) == description


def test_a_long_script_round_trips():
    acts = [
        act
        for movement in ("abduction", "flexion", "external_rotation")
        for act in (Turn(45.0), *single_movement(movement, "left", (80.0, 85.0)).acts)
    ]
    gesture = Gesture("right", 3.0, 4.0, ArmPose(70.0, 30.0), shake_deg=10.0)
    script = Script(acts=tuple(acts), pain_marks=(PainMark("right", 1.0, 2.5),), gestures=(gesture,))
    description = ClipDescription(person=1, script=script)
    assert description_from_plain(tomllib.loads(description_to_toml(description))) == description


def test_a_pain_mark_keeps_its_speed_and_says_the_usual_one_not_at_all():
    marks = (PainMark("left", 1.0, 2.0), PainMark("left", 3.0, 4.0, lift_s=0.7))
    description = ClipDescription(person=1, script=Script(acts=(Stand(6),), pain_marks=marks))
    plain = description_to_plain(description)
    assert plain["script"]["pain_marks"] == [
        {"side": "left", "start_s": 1.0, "end_s": 2.0},
        {"side": "left", "start_s": 3.0, "end_s": 4.0, "lift_s": 0.7},
    ]
    assert description_from_plain(plain) == description


TRACED = Traced(
    "flexion", "left", (0.0, 0.5), ((0.0, -0.1, -1.0, 0.0, -0.2, -1.0),) * 2, ((0.0,) * 6,) * 2, ((0.0,) * 3,) * 2
)


def test_a_traced_repetition_round_trips():
    description = ClipDescription(person=1, script=Script(acts=(TRACED,)))
    assert description_from_plain(tomllib.loads(description_to_toml(description))) == description


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"time_s": (0.0,)}, "as many keyframes"),
        ({"time_s": (), "left": (), "right": (), "trunk": ()}, "at least one"),
        ({"time_s": (0.5, 0.5)}, "increase from 0 s"),
        ({"trunk": ((0.0,) * 2,) * 2}, "3 for the trunk"),
    ],
)
def test_broken_traces_get_a_sentence(change, says):
    with pytest.raises(UsageError, match=says):
        ClipDescription(person=1, script=Script(acts=(replace(TRACED, **change),)))


def test_the_defaults_are_not_written():
    text = description_to_toml(ClipDescription(person=7, script=single_movement("abduction", "right", [150])))
    assert "camera" not in text
    assert "phone" not in text
    assert len(text) < 250


def test_files_are_read(tmp_path):
    (tmp_path / "a.toml").write_text(SHORT)
    description = read_description(tmp_path / "a.toml")
    assert description.script.acts[0].repetitions[0].peak == 150.0
    (tmp_path / "a.json").write_text(json.dumps(description_to_plain(description)))
    assert read_description(tmp_path / "a.json") == description


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("person = 7", "person = 7\ncolour = 3"), "clip has no setting 'colour'; it knows person"),
        (("person = 7\n", ""), "clip lacks 'person'"),
        (("person = 7", 'person = "Ann"'), "clip.person is a whole number, not 'Ann'"),
        (("person = 7", "person = true"), "clip.person is a whole number, not True"),
        (("person = 7", "person = -7"), "person lies between"),
        (("abduction", "juggling"), r"clip.script.acts\[0\].movement is one of abduction"),
        (
            ("exercise", "dance"),
            r"clip.script.acts\[0\].act is one of exercise, traced, turn, walk, stand, not 'dance'",
        ),
        (("peak = 150", "peak = 250"), "peak of 'abduction' lies between 5 and 180, not at 250"),
        (("peak = 150", "peak = nan"), "peak of 'abduction' lies between"),
        (("peak = 150", "peak = 150, up_s = 0"), "times of a repetition"),
        (("[{ peak = 150 }]", "[]"), "needs at least one repetition"),
        (("[{ peak = 150 }]", "3"), "repetitions is a list"),
        (("person = 7", "person = 7\nrate_hz = 1000"), "rate_hz lies between"),
        (("person = 7", "person = 7\ncamera = { distance_m = 90 }"), "distance_m lies between"),
        (("person = 7", "person = 7\ncamera = 4"), "clip.camera is a table of settings"),
        (("person = 7", "person = 7\nphone = { noise = 1e9 }"), "noise lies between"),
        (("person = 7", "person = "), "is not TOML"),
    ],
)
def test_mistakes_get_a_sentence(tmp_path, change, says):
    (tmp_path / "a.toml").write_text(SHORT.replace(*change))
    with pytest.raises(UsageError, match=says):
        read_description(tmp_path / "a.toml")


def test_a_missing_description_gets_a_sentence(tmp_path):
    with pytest.raises(UsageError, match="cannot be read"):
        read_description(tmp_path / "none.toml")


def test_times_fill_the_script_at_the_rate():
    description = ClipDescription(person=1, script=Script(acts=(Stand(2.0),)), rate_hz=24)
    assert len(description.times_s()) == 48
    uneven = ClipDescription(person=1, script=Script(acts=(Stand(2.0),)), variable_rate=True).times_s()
    assert np.all(np.diff(uneven) > 0)
    assert np.ptp(np.diff(uneven)) > 1e-3
