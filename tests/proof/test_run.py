"""The proof's run: what is kept, what is compared with what, and the quick set end to end."""

from __future__ import annotations

import importlib
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from vision_rom.handover import PoseTrack
from vision_rom.proof import clips as clips_module
from vision_rom.proof.cases import ProofCase, full_set, quick_set
from vision_rom.proof.clips import clip_path, default_cache, found_landmarks, rendered_clip, seconds_a_picture
from vision_rom.proof.methods import PIPELINE, PLAIN, Outcome, SeenClip
from vision_rom.proof.run import row_of, run_proof
from vision_rom.proof.statistics import error_figures
from vision_rom.proof.write_up import slope_of
from vision_rom.synthetic.synth import truth_of


@pytest.fixture(scope="module")
def one_case() -> ProofCase:
    """A clip of a few small pictures: enough to find the patient, not to measure."""
    case = quick_set()[0]
    return replace(case, description=replace(case.description, rate_hz=2.0))


def test_cache_lies_outside_the_repository(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", "/somewhere")
    assert default_cache() == Path("/somewhere/vision-rom/proof")
    monkeypatch.delenv("XDG_CACHE_HOME")
    assert default_cache() == Path.home() / ".cache" / "vision-rom" / "proof"


def test_changed_description_is_another_clip(one_case: ProofCase) -> None:
    camera = replace(one_case.description.camera, tilt_deg=1.0)
    other = replace(one_case, description=replace(one_case.description, camera=camera))
    assert clip_path(other, Path()) != clip_path(one_case, Path())
    assert clip_path(one_case, Path()) == clip_path(one_case, Path())


def test_stopped_run_goes_on_where_it_was(one_case: ProofCase, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("vtk")
    path, truth = rendered_clip(one_case, tmp_path)
    found, track = found_landmarks(one_case, path, tmp_path, model="full")
    assert seconds_a_picture(path, tmp_path, model="full") > 0
    made = path.stat().st_mtime_ns

    def not_again(*_: object, **__: object) -> None:
        raise AssertionError("rendered or looked at again")

    monkeypatch.setattr("vision_rom.synthetic.synth.render_clip", not_again)
    monkeypatch.setattr(importlib.import_module("vision_rom.measure"), "track_patient", not_again)
    again, truth_again = rendered_clip(one_case, tmp_path)
    assert again == path
    assert path.stat().st_mtime_ns == made
    assert truth_again.repetitions == truth.repetitions
    clip_again, track_again = clips_module.found_landmarks(one_case, path, tmp_path, model="full")
    assert clip_again.sha256 == found.sha256
    np.testing.assert_array_equal(track_again.landmarks_px, track.landmarks_px)


def test_every_method_sees_the_same_landmarks(one_case: ProofCase, tmp_path: Path) -> None:
    pytest.importorskip("vtk")
    seen: list[PoseTrack] = []

    def held(clip: SeenClip) -> Outcome:
        seen.append(clip.track)
        return Outcome(value_deg=100.0, low_deg=90.0, high_deg=110.0)

    def largest(clip: SeenClip) -> Outcome:
        seen.append(clip.track)
        return Outcome(value_deg=100.0, compared_with="peak")

    told: list[str] = []
    rows = list(
        run_proof(
            [one_case],
            cache=tmp_path,
            methods={"held": held, "largest": largest},
            progress=lambda done, doing, share: told.append(doing),
        )
    )
    assert seen[0] is seen[1]
    assert [row.method for row in rows] == ["held", "largest"]
    assert rows[0].true_deg == rows[0].true_held_deg < rows[1].true_deg == rows[1].true_peak_deg
    assert rows[0].error_deg == pytest.approx(100.0 - rows[0].true_held_deg)
    assert rows[1].holds_truth is None
    assert any("rendering" in text for text in told)


def test_two_repetitions_are_compared_with_their_mean_and_their_largest() -> None:
    case = next(case for case in full_set() if case.condition == "two repetitions")
    truth = truth_of(replace(case.description, rate_hz=1.0))
    held = [one.held for one in truth.repetitions]
    assert len(held) == 2
    assert abs(held[0] - held[1]) > 15
    outcome = Outcome(value_deg=float(np.mean(held)), low_deg=math.nan)
    row = row_of(case, truth, outcome, model="full", method="x", seconds=math.nan, pictures=1)
    assert row.error_deg == pytest.approx(0.0)
    assert row.true_repetitions == 2
    assert row.true_peak_deg > max(held) - 1


@pytest.mark.slow
def test_quick_proof(tmp_path: Path) -> None:
    """The pipeline on a dozen rendered clips stays within loose limits and ahead of the plain angle.

    The truth is that of the rendered skeletons; the limits are loose on purpose, for the set is small: they catch a
    broken pipeline, not a slow drift (that is what the full proof is for).
    """
    pytest.importorskip("vtk")
    rows = list(run_proof(quick_set(), cache=tmp_path))
    ours = [row for row in rows if row.method == PIPELINE]
    elevations = [row for row in ours if "rotation" not in row.movement]
    assert all(row.status == "measured" for row in elevations), [row.reason for row in elevations]
    found = error_figures([row.value_deg for row in elevations], [row.true_deg for row in elevations])
    assert found.mean_absolute_deg < 6.0
    assert found.worst_deg < 20.0
    assert 0.85 < slope_of(ours).slope < 1.15
    assert np.mean([row.holds_truth is not False for row in ours]) > 0.8
    plain = [row for row in rows if row.method == PLAIN and "rotation" not in row.movement]
    assert (
        found.mean_absolute_deg
        < error_figures([r.value_deg for r in plain], [r.true_deg for r in plain]).mean_absolute_deg
    )
