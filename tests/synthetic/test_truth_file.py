"""The file beside a clip."""

from __future__ import annotations

import json
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest

from vision_rom.errors import OutputError
from vision_rom.synthetic.people import make_person
from vision_rom.synthetic.scripts import examiner_beside, single_movement
from vision_rom.synthetic.truth_file import (
    SCHEMA,
    Actor,
    ClipTruth,
    clip_truth,
    read_truth,
    truth_from_json,
    truth_to_json,
    write_truth,
)

TIMES = np.array([0.0, 0.4, 1.1, 2.0, 2.6])


def project(points: np.ndarray) -> np.ndarray:
    return 100 * points[:, [0, 2]]


def made(seed: int = 3) -> ClipTruth:
    patient = Actor(2, single_movement("external_rotation", "left", [40], up_s=0.6, hold_s=0.5, down_s=0.6, seed=seed))
    return clip_truth(
        patient,
        TIMES,
        seed=seed,
        others=[Actor(5, examiner_beside(3, seed=1))],
        project=project,
        camera={"view": "front"},
        clip="a.mp4",
    )


def test_same_seed_same_file_and_another_seed_another(tmp_path: Path) -> None:
    write_truth(made(), tmp_path / "a.truth.json")
    make_person.cache_clear()
    write_truth(made(), tmp_path / "b.truth.json")
    write_truth(made(seed=4), tmp_path / "c.truth.json")
    assert (tmp_path / "a.truth.json").read_bytes() == (tmp_path / "b.truth.json").read_bytes()
    assert (tmp_path / "a.truth.json").read_bytes() != (tmp_path / "c.truth.json").read_bytes()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.truth.json", "b.truth.json", "c.truth.json"]


def test_what_is_written_is_read(tmp_path: Path) -> None:
    truth = made()
    write_truth(truth, tmp_path / "a.truth.json")
    read = read_truth(tmp_path / "a.truth.json")
    assert {f.name for f in fields(read)} == {f.name for f in fields(truth)}
    assert read.time_s == pytest.approx(truth.time_s)
    for side in ("left", "right"):
        for name, values in truth.arms[side].items():  # type: ignore[index]
            assert read.arms[side][name] == pytest.approx(values, abs=6e-4, nan_ok=True)  # type: ignore[index]
    for name, points in truth.joints_m.items():
        assert read.joints_m[name] == pytest.approx(points, abs=6e-5)
        assert read.joints_px[name] == pytest.approx(project(points), abs=6e-3)
    assert read.others_joints_m[0]["head"][:, 0] == pytest.approx(truth.others_joints_m[0]["head"][:, 0], abs=6e-5)
    assert [r.movement for r in read.repetitions] == ["external_rotation"]
    assert read.repetitions[0].held == pytest.approx(truth.repetitions[0].held, abs=1e-3)
    assert [p["seed"] for p in read.people] == [2, 5]


def test_joints_are_those_of_the_figure_and_angles_follow_from_them() -> None:
    truth = made()
    elbow = truth.joints_m["left_elbow"] - truth.joints_m["left_shoulder"]
    vertical = np.degrees(np.arctan2(np.hypot(elbow[:, 0], elbow[:, 1]), -elbow[:, 2]))
    assert truth.arms["left"]["vertical_deg"] == pytest.approx(vertical)
    assert np.isnan(truth.arms["right"]["rotation_deg"]).all()


def test_what_means_nothing_is_null_and_never_nan() -> None:
    text = json.dumps(truth_to_json(made()), allow_nan=False)
    assert "null" in text


def test_without_a_camera_there_are_no_pixels() -> None:
    truth = clip_truth(Actor(1, single_movement("flexion", "right", [60])), [0.0, 1.0], seed=0)
    assert truth_to_json(truth)["joints"]["head"].keys() == {"position_m"}
    assert truth_from_json(truth_to_json(truth)).joints_px == {}


@pytest.mark.parametrize("text", ["{}", "[]", "no json", '{"schema": "vision-rom/truth/1"}'])
def test_what_is_no_truth_file_is_refused_by_name(tmp_path: Path, text: str) -> None:
    path = tmp_path / "other.json"
    path.write_text(text)
    with pytest.raises(ValueError, match=r"other\.json is not a truth file"):
        read_truth(path)


def test_another_schema_is_refused() -> None:
    with pytest.raises(ValueError, match=SCHEMA):
        truth_from_json({"schema": "vision-rom/truth/2"})


def test_a_folder_that_is_missing_gives_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="cannot be written"):
        write_truth(made(), tmp_path / "nowhere" / "a.truth.json")
