"""The rendered sample clips: small, described, and with the truth that their descriptions give."""

from __future__ import annotations

import json

import av
import numpy as np
import pytest

from vision_rom.synthetic.clip_description import read_description
from vision_rom.synthetic.synth import truth_of
from vision_rom.synthetic.truth_file import read_truth, truth_to_json

NAMES = (
    "abduction_both",
    "demo_abduction_left",
    "demo_abduction_right",
    "extension_right",
    "external_rotation_right",
    "flexion_right",
    "internal_rotation_right",
    "scaption_right",
)


def test_every_description_has_its_clip_and_a_row_in_the_table(sample_clips):
    assert tuple(sorted(path.stem for path in sample_clips.glob("*.toml"))) == NAMES
    table = (sample_clips / "README.md").read_text(encoding="utf-8")
    assert all(f"`{name}.mp4`" in table for name in NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_clip_and_truth_belong_to_the_description(sample_clips, name):
    description = read_description(sample_clips / f"{name}.toml")
    clip = sample_clips / f"{name}.mp4"
    assert clip.stat().st_size < 600_000
    truth = read_truth(sample_clips / f"{name}.truth.json")
    np.testing.assert_allclose(truth.time_s, description.times_s(), atol=1e-6)
    with av.open(str(clip)) as container:
        stream = container.streams.video[0]
        assert (stream.width, stream.height) == (description.camera.width_px, description.camera.height_px)
        packets = [packet for packet in container.demux(stream) if packet.pts is not None]
    assert len(packets) == len(truth.time_s)
    for repetition in truth.repetitions:
        planned = description.script.acts[0].repetitions[repetition.number].peak
        assert repetition.peak == pytest.approx(planned, abs=3.0)


def test_the_truth_of_a_description_is_the_committed_one(sample_clips):
    """On any machine: the truth rests on numpy's arithmetic alone."""
    name = "external_rotation_right"
    again = truth_to_json(truth_of(read_description(sample_clips / f"{name}.toml"), f"{name}.mp4"))
    committed = truth_to_json(read_truth(sample_clips / f"{name}.truth.json"))
    for side in ("left", "right"):
        for angle, values in committed["arms"][side].items():
            np.testing.assert_allclose(
                np.array(again["arms"][side][angle], float), np.array(values, float), atol=2e-3, err_msg=angle
            )
    assert json.loads(json.dumps(again["people"])) == committed["people"]
