"""Lists of recordings: what they carry, and what is wrong with them."""

from __future__ import annotations

import pytest

from vision_rom.errors import UsageError
from vision_rom.research.manifest import items_of, items_of_manifest_text, items_of_table, manifest_text


def test_a_folder_is_listed_by_name(tmp_path):
    for name in ("b.mp4", "a.MOV", "deep/c.webm", ".hidden.mp4", "notes.txt", ".trash/d.mp4"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text("")
    root, items = items_of(tmp_path)
    assert [one.clip for one in items] == ["a.MOV", "b.mp4", "deep/c.webm"]
    assert root == tmp_path


def test_a_table_keeps_what_it_is_given(tmp_path):
    text = (
        "\ufeffclip , subject,side,movement,time_factor,person,mirrored,group,age\n"
        'a.mp4, s1,left,abduction,0.125,2,yes,"case, late",61\na.mp4,s1,right,,,,,,\n'
    )
    (tmp_path / "list.csv").write_text(text)
    _, (first, second) = items_of(tmp_path / "list.csv")
    assert (first.clip, first.subject, first.side, first.movement) == ("a.mp4", "s1", "left", "abduction")
    assert (first.time_factor, first.person, first.mirrored) == (0.125, 2, True)
    assert first.carried == (("group", "case, late"), ("age", "61"))
    assert (second.side, second.movement, second.mirrored) == ("right", None, False)
    assert first.clip_id != second.clip_id
    assert first.clip_id.startswith("a-")
    text = manifest_text([first, second])
    assert items_of_manifest_text(text, "manifest") == (first, second)


def test_an_id_depends_on_its_row_alone():
    (alone,) = items_of_table("clip,side\nb.mp4,left\n", "t")
    _, last = items_of_table("clip,side\na.mp4,left\nb.mp4,left\n", "t")
    assert alone.clip_id == last.clip_id


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("file\na.mp4\n", "no column 'clip'"),
        ("clip\n", "no row"),
        ("clip,side\na.mp4,middle\n", "line 2: 'side' is 'middle'"),
        ("clip,movement\na.mp4,dance\n", "line 2: .*dance"),
        ("clip,person\na.mp4,first\n", "'person' is 'first'"),
        ("clip,time_factor\na.mp4,-1\n", "more than 0"),
        ("clip,mirrored\na.mp4,perhaps\n", "yes or no"),
        ("clip,side\na.mp4\n", "line 2 has more or fewer cells"),
        ("clip,side\na.mp4,left,x\n", "line 2 has more or fewer cells"),
        ("clip\na.mp4\na.mp4\n", "line 3 says the same as line 2"),
        ("clip,held_deg\na.mp4,3\n", "'held_deg', a name that the tables use"),
        ("clip,age,age\na.mp4,3,4\n", "'age' twice"),
        ('clip\n""\n', "names no clip"),
    ],
)
def test_wrong_tables_end_with_a_sentence(text, match):
    with pytest.raises(UsageError, match=match):
        items_of_table(text, "list.csv")


def test_an_empty_folder_and_nothing_at_all(tmp_path):
    with pytest.raises(UsageError, match="no recording"):
        items_of(tmp_path)
    with pytest.raises(UsageError, match="neither a folder"):
        items_of(tmp_path / "absent")
