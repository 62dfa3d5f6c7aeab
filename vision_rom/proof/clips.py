"""Clips and landmarks of the proof, each made once and kept: rendering and looking are the slow steps.

A folder holds ``clips/NAME-DIGEST.mp4`` with its truth beside it, and ``landmarks/``. A clip is found again only where its
description and :data:`RENDERING` are unchanged, landmarks only where clip, network and library are.
"""

from __future__ import annotations

import hashlib
import json
import os
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from vision_rom.errors import OutputError
from vision_rom.handover import Clip, PoseTrack
from vision_rom.measure import find_landmarks
from vision_rom.pose import PoseSettings
from vision_rom.pose.settings import ModelName
from vision_rom.proof.cases import ProofCase
from vision_rom.synthetic.clip_description import description_to_plain
from vision_rom.synthetic.truth_file import ClipTruth, read_truth

OnProgress = Callable[[str, float | None], None]
"""Called with what is being done and the share of it that is done, None where unknown."""

RENDERING = 1
"""Raise it when bodies, rooms or renderer change what a description looks like, so that kept clips are made anew."""

SLOWEST_READ_S = 0.004
"""A picture costs more than this only where the network looked at it"""


def default_cache() -> Path:
    """Return where clips are kept unless told otherwise: outside any repository."""
    base = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    return Path(base) / "vision-rom" / "proof"


def clip_path(case: ProofCase, cache: Path) -> Path:
    """Return where the clip of a case lies, or would lie."""
    text = json.dumps([RENDERING, description_to_plain(case.description)], sort_keys=True)
    return cache / "clips" / f"{case.name}-{hashlib.sha256(text.encode()).hexdigest()[:10]}.mp4"


def rendered_clip(
    case: ProofCase, cache: Path, *, on_progress: OnProgress = lambda doing, share: None
) -> tuple[Path, ClipTruth]:
    """Return a case's clip and truth, rendered now where they are not kept yet.

    Raises OutputError where the folder cannot be written, InstallationError where the renderer is missing.
    """
    path = clip_path(case, cache)
    truth = path.with_name(f"{path.stem}.truth.json")
    if not (path.exists() and truth.exists()):
        # the renderer is an extra, and slow to load: kept clips do without it
        from vision_rom.synthetic.synth import render_clip

        _make_folder(path.parent)
        truth = render_clip(
            case.description, path, progress=lambda drawn, total: on_progress("rendering", drawn / total)
        )
    return path, read_truth(truth)


def found_landmarks(
    case: ProofCase,
    path: Path,
    cache: Path,
    *,
    model: ModelName,
    on_progress: OnProgress = lambda doing, share: None,
) -> tuple[Clip, PoseTrack]:
    """Return the patient's landmarks in a clip, looked for now where they are not kept yet."""
    folder = cache / "landmarks"
    _make_folder(folder)
    started = time.process_time()
    clip, track = find_landmarks(
        path,
        settings=PoseSettings(model=model, person=case.patient),
        mirrored=False,
        time_factor=1.0,
        rate_hz=None,
        cache=folder,
        on_progress=on_progress,
    )
    note = _speed_note(path, folder, model)
    spent_s = (time.process_time() - started) / max(len(track.time_s), 1)
    # kept landmarks are read in a fraction of a millisecond a picture, and say nothing of the network's speed
    if not note.exists() and spent_s > SLOWEST_READ_S:
        note.write_text(f"{spent_s:.4f}\n", encoding="utf-8")
    return clip, track


def seconds_a_picture(path: Path, cache: Path, *, model: ModelName) -> float:
    """Return the processor time that reading and looking took for each picture of a clip; NaN where it was not noted."""
    try:
        return float(_speed_note(path, cache / "landmarks", model).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return float(np.nan)


def _speed_note(path: Path, folder: Path, model: ModelName) -> Path:
    return folder / f"{path.stem}.{model}.seconds"


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"The folder '{folder}' cannot be made: {error.strerror or error}.") from error
