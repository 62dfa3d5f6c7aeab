"""The command `synth`: options become a description, mistakes become sentences, a file comes out."""

from __future__ import annotations

import tomllib

import pytest
import typer
from typer.testing import CliRunner

from vision_rom.cli.synth import synth_command, usual_view
from vision_rom.errors import UsageError
from vision_rom.synthetic.clip_description import description_from_plain

app = typer.Typer()
app.command()(synth_command)


def run(line):
    return CliRunner().invoke(app, line.split(), standalone_mode=False)


def test_options_become_a_description():
    result = run("--movement flexion --side left --peaks 150,156 --person 4 --size 720x960 --rate 60 --describe")
    assert result.exception is None
    description = description_from_plain(tomllib.loads(result.output))
    assert [r.peak for r in description.script.acts[0].repetitions] == [150.0, 156.0]
    assert (description.camera.view, description.camera.width_px, description.rate_hz) == ("left_side", 720, 60.0)


def test_a_description_file_is_rendered_beside_itself(tmp_path):
    made = run("--movement abduction --peaks 40 --up 0.3 --hold 0.1 --down 0.3 --size 64x80 --rate 4 --describe")
    (tmp_path / "small.toml").write_text(made.output)
    result = run(str(tmp_path / "small.toml"))
    assert result.exception is None
    assert (tmp_path / "small.mp4").stat().st_size > 500
    assert (tmp_path / "small.truth.json").exists()
    assert str(tmp_path / "small.mp4") in result.output


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ("", "either a description file or --movement"),
        ("--movement juggling --peaks 3", "no movement 'juggling'"),
        ("--movement abduction --peaks much --out a.mp4", "takes numbers with commas"),
        ("--movement abduction --peaks 150 --size big --out a.mp4", "width x height"),
        ("--movement abduction --peaks 150", "Say where the clip goes"),
        ("none.toml", "cannot be read"),
    ],
)
def test_mistakes_get_a_sentence(options, says):
    with pytest.raises(UsageError, match=says):
        raise run(options).exception


def test_each_movement_is_filmed_from_where_it_is_seen():
    assert usual_view("abduction", "left") == "front"
    assert usual_view("flexion", "right") == "right_side"
    assert usual_view("hand_behind_back", "right") == "back"
