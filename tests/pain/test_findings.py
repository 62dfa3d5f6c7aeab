from __future__ import annotations

import math

import pytest

from vision_rom.errors import UsageError
from vision_rom.pain.findings import at_angles, findings_of

TEST = {
    "kind": "provocative test",
    "name": "resisted abduction in the scapular plane",
    "side": "right",
    "painful": True,
}


def test_findings_are_read_and_get_the_angle_at_which_they_were_done(curve):
    found = findings_of(
        [{**TEST, "score": 4, "at_s": 3.25}, {"kind": "palpation", "name": "groove", "side": "left", "text": "tender"}]
    )
    first, second = at_angles(found, [curve])
    # the curve rises by 40 degrees a second from 1 s on
    assert (first.movement, first.angle_deg) == ("abduction", pytest.approx(90, abs=1.5))
    assert (first.painful, first.score) == (True, 4.0)
    assert math.isnan(second.angle_deg)
    assert second.text == "tender"


def test_a_test_outside_the_recording_or_without_a_time_has_no_angle(curve):
    late, untimed = at_angles(findings_of([{**TEST, "at_s": 99}, TEST]), [curve])
    assert math.isnan(late.angle_deg)
    assert math.isnan(untimed.angle_deg)


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ({**TEST, "kind": "diagnosis"}, "Finding 1 has kind = 'diagnosis'; it is one of provocative test, strength"),
        ({**TEST, "side": "both"}, "side = 'both'; it is left or right"),
        ({**TEST, "name": " "}, "name the test"),
        ({**TEST, "grade": 6}, "graded 0 to 5"),
        ({**TEST, "score": 11}, "between 0 and 10"),
        ({**TEST, "painful": "yes"}, "true or false"),
        ({**TEST, "at_s": -1}, "seconds from the recording's start"),
        ({**TEST, "verdict": "tear"}, "the field 'verdict'"),
    ],
)
def test_what_is_not_allowed_is_named(row, words):
    with pytest.raises(UsageError, match=words):
        findings_of([row])
