from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision_rom.outside_text import DEEPEST, NotPlain, json_of, toml_of


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("[" * 100_000, "nested"),
        ("[" * (DEEPEST + 1) + "]" * (DEEPEST + 1), "nested"),
        ("9" * 5000, "digits"),
        (str(2**63), "64 bits"),
        (str(-(2**63) - 1), "64 bits"),
        ('{"a": [1, {"b": 1e999}]}', "inf"),
        ("NaN", "nan"),
        ('["\\ud800"]', "surrogate"),
        ('{"\\ud800": 1}', "surrogate"),
        ("{", "property name"),
        (b"\xff", "utf-8"),
    ],
)
def test_json_that_breaks_later_steps_is_refused(text, why):
    with pytest.raises(NotPlain, match=why):
        json_of(text)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("a = " + "[" * 3000, "nested"),
        ("a = " + "9" * 5000, "digits"),
        (f"a = {2**63}", "64 bits"),
        ("a = {b = [-9223372036854775809]}", "64 bits"),
        ("a", "Expected"),
        (b"\xff", "utf-8"),
    ],
)
def test_toml_that_breaks_later_steps_is_refused(text, why):
    with pytest.raises(NotPlain, match=why):
        toml_of(text)


def test_what_is_at_the_limits_passes():
    assert json_of("[" * (DEEPEST - 1) + "]" * (DEEPEST - 1))
    assert json_of(f'[{2**63 - 1}, {-(2**63)}, "\\ud83d\\ude00"]') == [2**63 - 1, -(2**63), "😀"]
    assert toml_of("a = inf") == {"a": float("inf")}
    with pytest.raises(NotPlain, match="inf"):
        toml_of("a = inf", finite=True)


def test_infinite_numbers_pass_where_they_are_asked_for():
    assert json_of("[Infinity]", finite=False) == [float("inf")]


PLAIN = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**63), 2**63 - 1) | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(exclude_categories=["Cs"])),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text("ab", max_size=2), inner, max_size=3),
    max_leaves=10,
)  # fmt: skip


@given(PLAIN)
def test_plain_values_come_back(values):
    import json

    assert json_of(json.dumps(values)) == values
