"""Measure a recording into a visit: results in the records' folder, readings in the database."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from vision_rom.clip import sha256_of
from vision_rom.measure import Progress, measure
from vision_rom.pain.recorded import PainAsked
from vision_rom.readings import Measurement, SideAsked, with_motion
from vision_rom.recorded_pain import with_pain
from vision_rom.records.model import StoredReading, Visit
from vision_rom.records.store import Records
from vision_rom.report.document import reading_document
from vision_rom.report.folder import staged, write_reading_files


def measure_into(
    kept: Records,
    visit: Visit,
    recording: Path,
    *,
    movement: str | None,
    side: SideAsked,
    consent: bool,
    mirrored: bool = False,
    pain: PainAsked | None = None,
    on_progress: Progress | None = None,
    write_beside: Callable[[Measurement, Path], None] = lambda measurement, folder: None,
) -> tuple[Measurement, tuple[StoredReading, ...]]:
    """Measure a recording, write its results and store its readings; the recording stays where it lies.

    Parameters
    ----------
    kept, visit
        Where the readings belong.
    recording
        The file.
    movement, side, mirrored
        As in :func:`vision_rom.measure.measure`.
    consent
        Whether the patient agreed that the recording is kept.
    pain
        What was recorded of pain; None where nothing was.
    on_progress
        Called while it works.
    write_beside
        Writes more into the folder of the results before it appears.

    Raises
    ------
    ClipError, UsageError, InstallationError
        As :func:`vision_rom.measure.measure` and :func:`vision_rom.recorded_pain.with_pain`.
    OutputError
        The results cannot be written.

    """
    folder = kept.results_folder(visit, recording, sha256_of(recording))
    with staged(folder) as stage:
        measurement = measure(
            recording,
            movement=movement,
            side=side,
            mirrored=mirrored,
            # landmarks that were found before the work was stopped are not found again
            cache=folder if folder.is_dir() else stage,
            on_progress=on_progress,
        )
        pain = pain or PainAsked()
        measurement = with_pain(with_motion(measurement, visit.motion), pain)
        measurement = replace(measurement, parameters={**measurement.parameters, **_marks(pain)})
        if on_progress is not None:
            on_progress("writing", None)
        write_reading_files(measurement, stage)
        write_beside(measurement, stage)
    # the folder stands before the rows: after a kill in between, measuring again stores what is missing
    document = reading_document(measurement)
    return measurement, kept.store_document(visit, document, path=recording.resolve(), consent=consent)


def _marks(pain: PainAsked) -> dict[str, object]:
    """Return what was said of pain as settings of the document, so that a correction of something else does not lose it."""
    said: dict[str, object] = {"pain_marks": list(pain.typed)} if pain.typed else {}
    return said | ({"no_pain": True} if pain.none else {})


def pain_in(document: dict[str, Any]) -> PainAsked:
    """Return what was said of pain when a recording was measured into the records."""
    parameters = document["software"]["parameters"]
    scores = [(one.get("painful_arc") or {}).get("rest_score") for one in document["readings"]]
    return PainAsked(
        typed=tuple(parameters.get("pain_marks", ())),
        none=bool(parameters.get("no_pain", False)),
        at_rest=next((float(one) for one in scores if one is not None), math.nan),
    )
