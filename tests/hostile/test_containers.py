"""Kinds of broken recordings that once hung, or gave fewer pictures than went in without a word."""

from __future__ import annotations

from itertools import islice
from pathlib import Path

import pytest

from vision_rom.clip import open_clip
from vision_rom.clip.structure import MOST_EDITS, Soundness, check_index, soundness_of
from vision_rom.errors import ClipError
from vision_rom.proof.hostile.clips import BAD, HANG_S, MOST_GROWTH_MB, outcome_of
from vision_rom.proof.hostile.containers import BASES, PICTURES, Broken, base, box, broken_files, with_edit_list
from vision_rom.proof.hostile.trees import parts_of


def read(content: bytes, path: Path) -> tuple[int, tuple[str, ...]]:
    path.write_bytes(content)
    with open_clip(path, wanted_rate_hz=None) as reader:
        pictures = sum(1 for _ in reader)
    return pictures, reader.clip().remarks


def part(content: bytes, kind: str, number: int = 0):
    return [one for one in parts_of(content) if one.kind == kind][number]


@pytest.mark.parametrize("name", BASES)
def test_a_whole_recording_earns_no_remark(name, tmp_path):
    assert read(base(name), tmp_path / name) == (PICTURES, ())
    assert soundness_of(tmp_path / name, 1) in (Soundness(), Soundness(pictures=PICTURES))


@pytest.mark.parametrize("name", BASES)
def test_the_parts_of_a_container_fill_it(name):
    parts = [one for one in parts_of(base(name)) if one.depth == 0]
    assert [one.start for one in parts[1:]] == [one.end for one in parts[:-1]]
    assert (parts[0].start, parts[-1].end) == (0, len(base(name)))
    assert any(one.is_pictures for one in parts_of(base(name)))


@pytest.mark.parametrize("name", ["webm_vp8", "webm_vp9", "mkv_h264", "avi_mjpeg", "avi_mpeg4", "mp4_pieces"])
def test_a_file_that_is_cut_off_inside_a_part_says_so(name, tmp_path):
    whole = base(name)
    last = [one for one in parts_of(whole) if one.is_pictures][-1]
    pictures, said = read(whole[: (last.body + last.end) // 2], tmp_path / name)
    assert pictures < PICTURES
    assert any("cut off" in one or "damaged" in one for one in said)


@pytest.mark.parametrize("place", [0, 11, -1])
@pytest.mark.parametrize("name", ["webm_vp8", "webm_vp9", "mkv_h264"])
def test_a_picture_taken_out_of_an_even_series_is_missed(name, place, tmp_path):
    whole = base(name)
    one = part(whole, "a3", place)
    pictures, said = read(whole[: one.start] + whole[one.end :], tmp_path / name)
    assert pictures < PICTURES
    assert said


@pytest.mark.parametrize("name", ["avi_mjpeg", "avi_mpeg4"])
def test_a_picture_that_the_header_counts_is_missed(name, tmp_path):
    whole = base(name)
    one = part(whole, "00dc", -1)
    pictures, said = read(whole[: one.start] + b"JUNK" + whole[one.start + 4 :], tmp_path / name)
    assert pictures == PICTURES - 1
    assert f"The file counts {PICTURES} pictures and {pictures} came out" in " ".join(said)


def test_an_edit_list_that_shows_one_picture_says_how_many_there_are(tmp_path):
    whole = with_edit_list(base("mp4_h264"), [(1, 1024, 0x10000)])
    pictures, said = read(whole, tmp_path / "a.mp4")
    assert pictures < PICTURES
    assert f"The file counts {PICTURES} pictures" in " ".join(said)


def test_a_piece_whose_boxes_do_not_fill_it_is_damage(tmp_path):
    whole = base("mp4_pieces")
    run = part(whole, "trun", -1)
    pictures, said = read(whole[: run.start] + bytes(8) + whole[run.body :], tmp_path / "a.mp4")
    assert pictures < PICTURES
    assert "damaged between its parts" in " ".join(said)


def test_a_piece_that_is_passed_over_is_missed_by_its_own_count(tmp_path):
    whole = base("mp4_pieces")
    time = part(whole, "tfdt", -1)
    content = whole[: time.body + 4] + b"\xff" * (time.end - time.body - 4) + whole[time.end :]
    (tmp_path / "a.mp4").write_bytes(content)
    assert soundness_of(tmp_path / "a.mp4", 1).pictures == PICTURES
    try:
        pictures, said = read(content, tmp_path / "a.mp4")
    except ClipError:
        return
    assert pictures == PICTURES or said


def test_padding_behind_the_last_piece_is_no_damage(tmp_path):
    assert read(base("mp4_pieces") + bytes(1000), tmp_path / "a.mp4") == (PICTURES, ())
    _, said = read(base("mp4_pieces") + b"\x01" * 1000, tmp_path / "b.mp4")
    assert "damaged between its parts" in " ".join(said)


def test_an_edit_list_of_very_many_pieces_is_refused_before_it_is_read(tmp_path):
    """FFmpeg looks through all pictures for every piece: 100,000 kept it busy for over 30 s."""
    (tmp_path / "a.mp4").write_bytes(with_edit_list(base("mp4_h264"), [(1, 512, 0x10000)] * MOST_EDITS))
    check_index(tmp_path / "a.mp4")
    with pytest.raises(ClipError, match="put together from 201 pieces"):
        read(with_edit_list(base("mp4_h264"), [(1, 512, 0x10000)] * (MOST_EDITS + 1)), tmp_path / "b.mp4")


def test_a_compressed_index_is_refused(tmp_path):
    whole = base("mp4_h264")
    index = part(whole, "moov")
    content = whole[: index.start] + box(b"moov", box(b"cmov", bytes(16)))
    with pytest.raises(ClipError, match="compressed index"):
        read(content, tmp_path / "a.mov")


def test_a_sample_of_all_broken_files_ends_well(tmp_path):
    """Every 97th; the whole is run by hand, see RESULTS.md."""
    tried = 0
    for number, broken in islice(enumerate(broken_files()), 0, None, 97):
        outcome = outcome_of(number, broken, tmp_path / f"clip.{broken.ending}")
        assert outcome.end not in BAD, outcome
        assert outcome.seconds < HANG_S
        assert outcome.grown_mb < MOST_GROWTH_MB
        tried += 1
    assert tried > 100


def test_the_same_seed_makes_the_same_files():
    first, again = (list(islice(broken_files(), 900)) for _ in range(2))
    assert first == again


def test_a_short_read_without_a_word_is_called_so(tmp_path, monkeypatch):
    monkeypatch.setattr("vision_rom.clip.remarks.count_remarks", lambda *_: ())
    monkeypatch.setattr("vision_rom.clip.remarks.missing_end_remarks", lambda *_: ())
    whole = base("avi_mjpeg")
    one = part(whole, "00dc", -1)
    broken = Broken("a", "avi_mjpeg", "avi", whole[: one.start] + b"JUNK" + whole[one.start + 4 :], PICTURES)
    assert outcome_of(0, broken, tmp_path / "a.avi").end == "silent"
