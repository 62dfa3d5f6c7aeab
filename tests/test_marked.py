"""Marks as the command line takes them, and what is refused."""

from __future__ import annotations

import pytest

from vision_rom.errors import UsageError
from vision_rom.examination import measure_recording
from vision_rom.handover import ArmMark, Clip, PoseTrack
from vision_rom.marked import ACROSS, parse_marks
from vision_rom.parts import part_of


def test_points_of_one_picture_are_one_mark() -> None:
    assert parse_marks(["right_shoulder@7.40=250,244.5", "RIGHT_ELBOW@7.4=312,250", "left_elbow@12=300,251"]) == (
        ArmMark("left", 12.0, (300.0, 251.0)),
        ArmMark("right", 7.4, (312.0, 250.0), (250.0, 244.5)),
    )
    assert parse_marks([]) == ()


@pytest.mark.parametrize(
    ("texts", "words"),
    [
        (["elbow@3=1,2"], "left_elbow or right_elbow"),
        (["right_elbow@3=1"], "not 'right_elbow@3=1'"),
        (["right_elbow@-3=1,2"], "takes a point"),
        (["right_wrist@3=1,2"], "takes a point"),
        (["right_elbow@3=" + "9" * 400 + ",2"], "too large"),
        (["right_elbow@3=nan,2"], "takes a point"),
        (["right_shoulder@3=1,2"], "mark the elbow too"),
        (["right_elbow@3=1,2", "right_elbow@3.01=5,6"], "twice"),
    ],
)
def test_what_cannot_be_read_is_one_sentence(texts: list[str], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        parse_marks(texts)


@pytest.fixture
def across(kept_examination: PoseTrack) -> PoseTrack:
    """The right arm across alone, with rest around it."""
    return part_of(kept_examination, 21.5, 33.0)


@pytest.fixture
def clip(tmp_path) -> Clip:
    return Clip(tmp_path / "across.mp4", "0" * 64, 33.0, 180, 15.0, False, 0, False, 384, 512)


def test_a_recording_of_this_movement_alone_waits_for_its_side(clip: Clip, across: PoseTrack) -> None:
    found = measure_recording(clip, across)
    assert "Adduction across the body was recognised" in found.choice
    [place] = found.places
    assert (place.side, place.status) == ("right", "not_measured")
    named = measure_recording(clip, across, movement=ACROSS)
    assert [one.side for one in named.places] == ["right"]
    assert named.places[0].reason == place.reason


@pytest.mark.parametrize(
    ("mark", "more", "words"),
    [
        (ArmMark("right", 27.0, (900.0, 10.0)), {}, "outside the picture"),
        (ArmMark("right", 27.0, (100.0, 10.0), (-1.0, 5.0)), {}, "outside the picture"),
        (ArmMark("right", 90.0, (100.0, 10.0)), {}, "recording ends"),
        (ArmMark("right", 27.0, (100.0, 10.0)), {"movement": "abduction"}, "read without one"),
        (ArmMark("right", 27.0, (100.0, 10.0)), {"mark_sd": 2.0}, "0 to 0.5"),
        (ArmMark("right", 27.0, (100.0, 10.0)), {"mark_sd": float("nan")}, "0 to 0.5"),
    ],
)
def test_a_mark_that_cannot_be_is_refused(clip: Clip, across: PoseTrack, mark: ArmMark, more: dict, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        measure_recording(clip, across, marks=[mark], **more)


def test_an_unsure_mark_is_refused_and_says_by_how_much(clip: Clip, across: PoseTrack) -> None:
    row = int(abs(across.time_s - 27.0).argmin())
    x, y = across.landmarks_px[row, 12, :2]
    mark = ArmMark("right", 27.0, (float(x) + 15.0, float(y)))
    [reading] = measure_recording(clip, across, marks=[mark]).readings
    assert reading.status == "measured"
    [refused] = measure_recording(clip, across, marks=[mark], mark_sd=0.11).readings
    assert "more than 15 degrees" in (refused.reason or "")
    assert refused.marks == (mark,)
