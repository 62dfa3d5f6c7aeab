"""A rendered clip agrees with its truth file, and the same description gives the same of both."""

from __future__ import annotations

import av
import numpy as np
import pytest

from vision_rom.errors import OutputError
from vision_rom.synthetic.camera import Camera
from vision_rom.synthetic.clip_description import Bystander, ClipDescription
from vision_rom.synthetic.phone import Phone
from vision_rom.synthetic.script import Script, Stand
from vision_rom.synthetic.scripts import single_movement
from vision_rom.synthetic.synth import render_clip, truth_of
from vision_rom.synthetic.truth_file import read_truth

SMALL = Camera(width_px=120, height_px=160, distance_m=2.6)
RAISE = ClipDescription(
    person=3,
    room=4,
    script=single_movement("abduction", "left", [120], up_s=0.5, hold_s=0.2, down_s=0.5, rest_s=0.1),
    camera=SMALL,
    rate_hz=8,
    crf=12,
    phone=Phone(noise=1.0, blur_px=0.2, vignette=0.0, sharpening=0.0),
    seed=5,
)


def read(path):
    with av.open(str(path)) as container:
        return [(frame.time, frame.to_ndarray(format="rgb24").astype(int)) for frame in container.decode(video=0)]


@pytest.fixture(scope="module")
def rendered(tmp_path_factory):
    path = tmp_path_factory.mktemp("synth") / "raise.mp4"
    return path, render_clip(RAISE, path)


def test_clip_and_truth_have_the_same_times(rendered):
    path, truth_path = rendered
    truth = read_truth(truth_path)
    assert truth_path.name == "raise.truth.json"
    assert truth.clip == "raise.mp4"
    np.testing.assert_allclose([t for t, _ in read(path)], truth.time_s, atol=2e-5)


def test_the_raised_hand_is_where_the_truth_says(rendered):
    """What changed most between rest and the top lies along the moving forearm, at the right of the picture."""
    path, truth_path = rendered
    truth, pictures = read_truth(truth_path), [picture for _, picture in read(path)]
    top = int(np.argmax(truth.arms["left"]["elevation_deg"]))
    changed = np.abs(pictures[top] - pictures[0]).max(axis=2) > 18
    wrist = truth.joints_px["left_wrist"][top]
    elbow = truth.joints_px["left_elbow"][top]
    middle = (wrist + elbow) / 2
    x, y = int(middle[0]), int(middle[1])
    assert changed[y - 1 : y + 2, x - 1 : x + 2].mean() > 0.6
    assert middle[0] > SMALL.width_px / 2
    right = truth.joints_px["right_shoulder"][top].astype(int)
    assert changed[right[1] : right[1] + 20, right[0] - 8 : right[0] - 2].mean() < 0.2


def test_the_same_description_gives_the_same_truth_and_picture(rendered, tmp_path):
    path, truth_path = rendered
    again = render_clip(RAISE, tmp_path / "raise.mp4")
    assert again.read_bytes() == truth_path.read_bytes()
    for (_, one), (_, other) in zip(read(path), read(tmp_path / "raise.mp4"), strict=True):
        np.testing.assert_allclose(one, other, atol=2)


def test_truth_needs_no_rendering(rendered):
    _, truth_path = rendered
    np.testing.assert_allclose(
        truth_of(RAISE).arms["left"]["elevation_deg"], read_truth(truth_path).arms["left"]["elevation_deg"], atol=6e-4
    )


def test_a_bystander_is_seen_and_recorded(tmp_path):
    alone = ClipDescription(person=3, script=Script(acts=(Stand(0.2),)), camera=SMALL, rate_hz=5)
    other = Bystander(person=8, script=Script(acts=(Stand(0.2),), position_m=(0.8, 0.2)))
    both = ClipDescription(person=3, script=alone.script, bystander=other, camera=SMALL, rate_hz=5)
    render_clip(alone, tmp_path / "alone.mp4")
    truth = read_truth(render_clip(both, tmp_path / "both.mp4"))
    x, y = truth.others_joints_px[0]["thorax"][0].astype(int)
    difference = np.abs(read(tmp_path / "alone.mp4")[0][1] - read(tmp_path / "both.mp4")[0][1])
    assert difference[y - 2 : y + 3, x - 2 : x + 3].mean() > 15
    assert len(truth.people) == 2


def test_nothing_is_written_where_there_is_no_folder(tmp_path):
    with pytest.raises(OutputError, match="no folder"):
        render_clip(RAISE, tmp_path / "none" / "a.mp4")
