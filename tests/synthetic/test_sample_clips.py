"""The rendered sample clips: small, described, and with the truth that their descriptions give."""

from __future__ import annotations

import av
import numpy as np
import pytest

from vision_rom.synthetic.clip_description import read_description
from vision_rom.synthetic.synth import actors_of
from vision_rom.synthetic.truth import ARM_ANGLES, angles_of
from vision_rom.synthetic.truth_file import read_truth

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


@pytest.mark.parametrize("name", NAMES)
def test_the_truth_of_a_description_is_the_committed_one(sample_clips, name):
    """On any machine, looked at in every 24th picture: the truth rests on numpy's arithmetic alone."""
    description = read_description(sample_clips / f"{name}.toml")
    committed = read_truth(sample_clips / f"{name}.truth.json")
    (patient,) = actors_of(description)
    assert committed.people[0]["seed"] == description.person
    for i in range(0, len(committed.time_s), 24):
        stance = patient.person.posture(patient.pose_at(float(committed.time_s[i])))
        for side, arm in angles_of(stance, patient.person).items():
            for angle in ARM_ANGLES:
                np.testing.assert_allclose(
                    getattr(arm, angle), committed.arms[side][angle][i], atol=2e-3, err_msg=f"{side} {angle} {i}"
                )
