from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision_rom.errors import UsageError
from vision_rom.pain import marks_from_text, marks_of_table
from vision_rom.pain.marks import in_words


def test_spans_instants_and_scores_are_read():
    span, instant, plain = marks_from_text(["7.5", "3.2-4.6:5", "5:2.5"])
    assert (span.start_s, span.end_s, span.score, span.source) == (3.2, 4.6, 5.0, "typed")
    assert (instant.start_s, instant.end_s, instant.score) == (5.0, 5.0, 2.5)
    assert (plain.start_s, math.isnan(plain.score)) == (7.5, True)


@pytest.mark.parametrize(
    ("texts", "words"),
    [
        (["4.6-3.2:5"], "ends before it starts"),
        (["3-4:11"], "score 11; a score lies between 0 and 10"),
        (["3-4:-1"], "score -1"),
        (["3-40"], "outside the recording, which lasts 12.0 s"),
        (["3-5", "4-6"], "3-5 and 4-6 overlap"),
        (["3", "3"], "overlap"),
        (["soon"], "'soon' cannot be read; write START-END:SCORE"),
        (["3-4:5:6"], "cannot be read"),
        (["-1-4"], "cannot be read"),
    ],
)
def test_bad_marks_get_a_sentence(texts, words):
    with pytest.raises(UsageError, match=words):
        marks_from_text(texts, duration_s=12.0)


@given(st.lists(st.tuples(st.floats(0, 50), st.floats(0, 5), st.integers(0, 10)), min_size=1, max_size=5))
def test_what_is_read_can_be_typed_again(spans):
    start = 0.0
    typed = []
    for gap, length, score in spans:
        start = round(start + gap + 0.1, 2)
        end = round(start + length, 2)
        typed.append(f"{start}-{end}:{score}" if end > start else f"{start}:{score}")
        start = end
    marks = marks_from_text(typed)
    assert marks_from_text([in_words(one) for one in marks]) == marks


def test_table_may_leave_end_and_score_out():
    first, second = marks_of_table([{"start_s": "1.5", "end_s": "2", "score": ""}, {"start_s": "4"}])
    assert (first.start_s, first.end_s, math.isnan(first.score)) == (1.5, 2.0, True)
    assert (second.start_s, second.end_s) == (4.0, 4.0)


@pytest.mark.parametrize(
    ("row", "words"), [({"start_s": "x"}, "Row 1 .* 'x' for start_s"), ({"start_s": ""}, "Row 1 .* no start_s")]
)
def test_bad_rows_are_named(row, words):
    with pytest.raises(UsageError, match=words):
        marks_of_table([row])
