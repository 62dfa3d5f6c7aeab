"""Pain of a measurement: which source counts, what is said where nothing was recorded, and what is refused."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import av
import numpy as np
import pytest

from vision_rom.clip.sound import loudness_of
from vision_rom.errors import UsageError
from vision_rom.measure import measure
from vision_rom.pain import PainAsked, strokes_s
from vision_rom.readings import Measurement
from vision_rom.recorded_pain import table_beside, with_findings, with_pain
from vision_rom.report.document import check_document, reading_document, to_json
from vision_rom.report.pain import NOT_RECORDED, pain_in_words


@pytest.fixture(scope="module")
def measured(sample_clips: Path) -> Measurement:
    return measure(sample_clips / "demo_abduction_right.mp4", movement="abduction", side="right")


def test_without_anything_recorded_it_says_so(measured: Measurement) -> None:
    document = reading_document(with_pain(measured, PainAsked()))
    assert document["readings"][0]["painful_arc"]["pattern"] == "not recorded"
    assert reading_document(measured)["readings"][0]["painful_arc"]["pattern"] == "not recorded"
    [pain] = with_pain(measured, PainAsked(at_rest=2.0, stopped_because="stiff")).pain
    words = pain_in_words(pain)
    assert words[0] == NOT_RECORDED
    assert "Pain at rest 2 of 10." in words
    assert "Stopped because: stiff." in words


def test_marks_become_angles_and_travel_with_the_document(measured: Measurement) -> None:
    found = with_pain(measured, PainAsked(typed=("1.9-4.5:6", "8-10:4"), at_rest=1.0, stopped_because="pain"))
    document = reading_document(found)
    check_document(json.loads(to_json(document)))
    arc = document["readings"][0]["painful_arc"]
    assert (arc["pattern"], arc["worst_score"], arc["rest_score"], arc["stopped_because"]) == ("arc", 6.0, 1.0, "pain")
    assert len(arc["repetitions"]) == 2
    assert 40 < arc["pain_free_deg"] < 90
    low, high = arc["end_lowering"]["interval95_deg"]
    assert low < arc["end_lowering"]["angle_deg"] < high


def test_a_signal_that_was_not_found_is_no_statement(measured: Measurement) -> None:
    [pain] = with_pain(measured, PainAsked(signals=("hand",))).pain
    assert pain.arc.pattern == "not recorded"
    assert "no sign that it did not hurt" in pain.arc.remarks[0]
    [asked] = with_pain(measured, PainAsked(none=True)).pain
    assert asked.arc.pattern == "none"


def test_typed_marks_come_first_and_others_are_compared(measured: Measurement, tmp_path: Path) -> None:
    table = tmp_path / "marks.csv"
    table.write_text("start_s,end_s,score\n2.4,4.5,3\n", encoding="utf-8")
    [pain] = with_pain(measured, PainAsked(typed=("1.9-4.5:6",), table=table)).pain
    assert [source for source, _ in pain.compared] == ["typed", "table"]
    assert pain.arc == pain.compared[0][1]
    earlier, later = (arc.onset_raising for _, arc in pain.compared)
    assert earlier is not None
    assert later is not None
    assert earlier.time_s < later.time_s


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        (PainAsked(typed=("3-99",)), "outside the recording"),
        (PainAsked(typed=("3-4",), none=True), "marked and denied"),
        (PainAsked(at_rest=12.0), "at rest has the score 12"),
        (PainAsked(table=Path("nowhere.csv")), "cannot be read"),
        (PainAsked(signals=("sound",)), "has no sound"),
    ],
)
def test_what_cannot_be_gets_a_sentence(measured: Measurement, asked: PainAsked, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        with_pain(measured, asked)


def test_a_table_without_its_column_is_refused(measured: Measurement, tmp_path: Path) -> None:
    table = tmp_path / "marks.csv"
    table.write_text("begin,end\n2,3\n", encoding="utf-8")
    with pytest.raises(UsageError, match="no column start_s"):
        with_pain(measured, PainAsked(table=table))


def test_the_table_beside_the_clip_is_found(tmp_path: Path) -> None:
    clip = tmp_path / "arm.mp4"
    assert table_beside(clip) is None
    (tmp_path / "arm.pain.csv").write_text("start_s\n1\n", encoding="utf-8")
    assert table_beside(clip) == tmp_path / "arm.pain.csv"


def with_sound(path: Path, claps_s: list[float], *, seconds: float = 6.0) -> Path:
    """A recording with a grey picture and claps, its sound in AAC as phones write it."""
    rate = 44_100
    rng = np.random.default_rng(1)
    time_s = np.arange(round(seconds * rate)) / rate
    sound = 0.002 * rng.normal(size=time_s.size) + 0.05 * np.sin(2 * np.pi * 50 * time_s)
    for at in claps_s:
        after = time_s - at
        sound += np.where(after >= 0, 0.7 * np.exp(-np.maximum(after, 0) / 0.02), 0) * rng.normal(size=time_s.size)
    with av.open(str(path), "w") as container:
        video = container.add_stream("h264", rate=10)
        video.width, video.height, video.pix_fmt = 64, 64, "yuv420p"
        audio = container.add_stream("aac", rate=rate, layout="mono")
        for _ in range(round(seconds * 10)):
            picture = av.VideoFrame.from_ndarray(np.full((64, 64, 3), 90, np.uint8), format="rgb24")
            container.mux(video.encode(picture))
        container.mux(video.encode(None))
        samples = np.clip(sound, -1, 1).astype(np.float32)
        for begin in range(0, len(samples), 1024):
            frame = av.AudioFrame.from_ndarray(samples[None, begin : begin + 1024], format="fltp", layout="mono")
            frame.rate, frame.pts = rate, begin
            container.mux(audio.encode(frame))
        container.mux(audio.encode(None))
    return path


def test_claps_in_a_recording_are_heard_where_they_are(tmp_path: Path) -> None:
    claps = [1.5, 3.25, 4.8]
    loudness = loudness_of(with_sound(tmp_path / "claps.mp4", claps))
    assert loudness is not None
    times = loudness.start_s + strokes_s(loudness.level, loudness.step_s)
    assert times == pytest.approx(claps, abs=0.06)


def test_claps_mark_the_measured_arm(measured: Measurement, tmp_path: Path) -> None:
    path = with_sound(tmp_path / "claps.mp4", [2.0, 4.6])
    moved = replace(measured, clip=replace(measured.clip, path=path))
    [pain] = with_pain(moved, PainAsked(signals=("sound",))).pain
    assert pain.arc.sources == ("sound",)
    assert pain.arc.pattern == "arc"


def test_a_recording_without_sound_is_told_apart_from_a_silent_one(sample_clips: Path, tmp_path: Path) -> None:
    assert loudness_of(sample_clips / "demo_abduction_right.mp4") is None
    silent = loudness_of(with_sound(tmp_path / "quiet.mp4", []))
    assert silent is not None
    assert len(strokes_s(silent.level, silent.step_s)) == 0
    assert not math.isnan(silent.start_s)


def test_findings_travel_with_the_angle_they_were_made_at(measured: Measurement, tmp_path: Path) -> None:
    path = tmp_path / "findings.toml"
    path.write_text(
        '[[finding]]\nkind = "strength"\nname = "abduction"\nside = "right"\ngrade = 4\nat_s = 2.5\n', encoding="utf-8"
    )
    document = reading_document(with_findings(measured, path))
    check_document(json.loads(to_json(document)))
    [finding] = document["findings"]
    assert (finding["grade"], finding["movement"]) == (4, "abduction")
    assert 80 < finding["angle_deg"] < 95
    for text, words in (("finding = 3", "must hold"), ("[[finding", "no valid TOML")):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(UsageError, match=words):
            with_findings(measured, path)


def test_an_arm_that_was_hidden_when_it_hurt_is_told_and_has_no_angle(measured: Measurement) -> None:
    [curve] = measured.curves
    hidden = replace(curve, angle_deg=np.where((curve.time_s > 1.0) & (curve.time_s < 2.2), np.nan, curve.angle_deg))
    found = with_pain(replace(measured, curves=(hidden,)), PainAsked(typed=("1.9-4.5:6",)))
    document = reading_document(found)
    check_document(json.loads(to_json(document)))
    onset = document["readings"][0]["painful_arc"]["onset_raising"]
    assert (onset["angle_deg"], onset["interval95_deg"]) == (None, None)
    assert any("from an angle that was not seen" in words for words in pain_in_words(found.pain[0]))
