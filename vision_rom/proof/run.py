"""Run the proof: render or take from the cache, look, measure by each method, and give back one row a clip and method."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from vision_rom.pose.settings import ModelName
from vision_rom.proof.cases import ProofCase
from vision_rom.proof.clips import found_landmarks, rendered_clip, seconds_a_picture
from vision_rom.proof.methods import METHODS, Method, Outcome, SeenClip
from vision_rom.synthetic.truth_file import ClipTruth

Progress = Callable[[int, str, float | None], None]
"""Called with clips done, what is being done and the share of it (None where unknown)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProofRow:
    """One clip measured by one method; degrees. NaN where there is no value."""

    clip: str
    movement: str
    side: str
    view: str
    condition: str
    person: int
    sex: str
    age_years: float
    sleeve: str
    room: int
    camera_off_plane_deg: float
    """Of the camera against the view's own direction"""
    camera_tilt_deg: float
    camera_distance_m: float
    pictures: int
    rate_hz: float
    model: str
    method: str
    compared_with: str
    """``held`` or ``peak``: which truth the value is meant to be"""
    true_deg: float
    """That truth; of several repetitions the mean of the held values, the largest of the peaks"""
    true_held_deg: float
    true_peak_deg: float
    true_repetitions: int
    status: str
    reason: str
    value_deg: float
    error_deg: float
    low_deg: float
    high_deg: float
    holds_truth: bool | None
    """Whether the 95% interval holds the truth; None where there is no interval"""
    repetitions: int
    view_found: str
    off_plane_found_deg: float
    seconds_a_picture: float
    """Processor time of reading and looking"""


def run_proof(
    cases: Sequence[ProofCase],
    *,
    cache: Path,
    models: Sequence[ModelName] = ("full",),
    methods: Mapping[str, Method] = METHODS,
    progress: Progress = lambda done, doing, share: None,
) -> Iterator[ProofRow]:
    """Yield a row for each clip, model and method that exists for its movement, in the order of the clips.

    What is rendered or found stays in ``cache``, so a run that was stopped goes on where it was.

    Raises
    ------
    OutputError
        The cache cannot be written.
    InstallationError
        A model file or a library is missing.

    """
    for done, case in enumerate(cases):
        show = partial(_show, progress, done, case.name)
        path, truth = rendered_clip(case, cache, on_progress=show)
        for model in models:
            clip, track = found_landmarks(case, path, cache, model=model, on_progress=show)
            seconds = seconds_a_picture(path, cache, model=model)
            seen = SeenClip(case, clip, track, truth)
            for name, method in methods.items():
                outcome = method(seen)
                if outcome is not None:
                    yield row_of(
                        case, truth, outcome, model=model, method=name, seconds=seconds, pictures=len(track.time_s)
                    )
    progress(len(cases), "done", None)


def _show(progress: Progress, done: int, clip: str, doing: str, share: float | None) -> None:
    progress(done, f"{doing}: {clip}", share)


def row_of(
    case: ProofCase,
    truth: ClipTruth,
    outcome: Outcome,
    *,
    model: str,
    method: str,
    seconds: float,
    pictures: int,
) -> ProofRow:
    """Put what is true and what was read beside each other."""
    held = [one.held for one in truth.repetitions if one.side == case.side]
    peaks = [one.peak for one in truth.repetitions if one.side == case.side]
    true_held, true_peak = float(np.mean(held)), float(np.max(peaks))
    true = true_held if outcome.compared_with == "held" else true_peak
    known = math.isfinite(outcome.value_deg)
    interval = known and math.isfinite(outcome.low_deg) and math.isfinite(outcome.high_deg)
    patient = truth.people[0]
    camera = case.description.camera
    return ProofRow(
        clip=case.name,
        movement=case.movement,
        side=case.side,
        view=case.view,
        condition=case.condition,
        person=case.description.person,
        sex=str(patient["sex"]),
        age_years=float(patient["age_years"]),
        sleeve=str(patient["look"]["sleeve"]),
        room=case.description.room,
        camera_off_plane_deg=case.off_plane_deg,
        camera_tilt_deg=camera.tilt_deg,
        camera_distance_m=camera.distance_m,
        pictures=pictures,
        rate_hz=case.description.rate_hz,
        model=model,
        method=method,
        compared_with=outcome.compared_with,
        true_deg=true,
        true_held_deg=true_held,
        true_peak_deg=true_peak,
        true_repetitions=len(held),
        status="measured" if known else "not_measured",
        reason=outcome.reason,
        value_deg=outcome.value_deg,
        error_deg=outcome.value_deg - true,
        low_deg=outcome.low_deg,
        high_deg=outcome.high_deg,
        holds_truth=outcome.low_deg <= true <= outcome.high_deg if interval else None,
        repetitions=outcome.repetitions,
        view_found=outcome.view,
        off_plane_found_deg=outcome.off_plane_deg,
        seconds_a_picture=seconds,
    )
