"""Expected orders: the package's own, and files that are right or wrong."""

from __future__ import annotations

import pytest

from vision_rom.errors import UsageError
from vision_rom.handover import Step
from vision_rom.movements import load_catalogue
from vision_rom.movements.sequences import read_sequence, sequence_names


@pytest.mark.parametrize("name", sequence_names())
def test_every_named_sequence_holds_movements_of_the_catalogue(name):
    steps = read_sequence(name)
    assert steps
    assert {one.movement for one in steps} <= {movement.name for movement in load_catalogue()}


def test_a_file_of_steps_is_read_in_its_order(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(
        'title = "Mine"\n[[step]]\nmovement = "flexion"\nside = "left"\n[[step]]\nmovement = "abduction"\n',
        encoding="utf-8",
    )
    assert read_sequence(str(path)) == (Step("flexion", "left"), Step("abduction", "both"))
    assert Step("abduction", "both").sides == ("left", "right")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[[step]]\nmovement = 'somersault'\n", "Step 1 .*'somersault'"),
        ("[[step]]\nmovement = 'flexion'\nside = 'top'\n", "Step 1 .*'top'"),
        ("[[step]]\nmovement = 'flexion'\nspeed = 3\n", "Step 1 .*nothing else"),
        ("[[step]]\nmovement = ['flexion']\n", "Step 1"),
        ("step = []\n", r"\[\[step\]\]"),
        ("step = 3\n", r"\[\[step\]\]"),
        ("speed = 3\n[[step]]\nmovement = 'flexion'\n", r"\[\[step\]\]"),
        ("[[step", "no valid TOML"),
    ],
)
def test_a_wrong_file_is_told_in_one_sentence(tmp_path, text, told):
    path = tmp_path / "wrong.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(UsageError, match=told):
        read_sequence(str(path))


def test_a_missing_file_names_what_there_is(tmp_path):
    with pytest.raises(UsageError, match="shoulder_active"):
        read_sequence(str(tmp_path / "none.toml"))
    (tmp_path / "bytes.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(UsageError, match="UTF-8"):
        read_sequence(str(tmp_path / "bytes.toml"))
