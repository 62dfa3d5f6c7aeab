"""A recording of the records as it is measured now, corrections included; and its landmarks found again where they are not kept."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter

from vision_rom.clip import sha256_of
from vision_rom.errors import UsageError
from vision_rom.measure import Progress, find_landmarks
from vision_rom.pain.marks import marks_from_text
from vision_rom.readings import Measurement
from vision_rom.records.measuring import pain_in
from vision_rom.records.model import Clip
from vision_rom.report.document import read_document
from vision_rom.web.correcting import Correction, check_known, in_effect, kept_landmarks, measured_again, settings_of
from vision_rom.web.store import ClinicStore

_CORRECTIONS: TypeAdapter[list[Any]] = TypeAdapter(list[Correction])


def first_document(kept: ClinicStore, clip: Clip) -> dict[str, Any]:
    """Return the reading document that the recording was first measured with.

    Raises
    ------
    UsageError
        It gave no reading, and its results are not there any more.

    """
    readings = kept.readings_of(clip)
    if readings:
        return kept.versions(readings[0])[0].document
    # a recording of places alone, as the hand behind the back, has no reading in the database
    written = kept.results_of(clip) / "reading.json"
    if not written.is_file():
        raise UsageError("The results of this recording are not there any more; send the recording again.")
    return read_document(written)


def recording_of(kept: ClinicStore, clip: Clip) -> tuple[Path, dict[str, Any]]:
    """Return where a recording lies and the document that it was first measured with.

    Raises
    ------
    UsageError
        It is not kept, or it cannot be measured again as it was.

    """
    path = Path(clip.path)
    # a name without a folder came with an imported bundle: no recording of ours, whatever lies under that name here
    if not (path.is_absolute() and path.is_file()):
        raise UsageError(
            "The recording itself is not kept any more, so it cannot be measured again; its readings stay as they are."
        )
    document = first_document(kept, clip)
    check_known(document)
    return path, document


def find_again(kept: ClinicStore, clip: Clip, on_progress: Progress) -> None:
    """Find the landmarks of a recording again, with the settings it was first measured with, where they are not kept.

    Raises
    ------
    UsageError
        The recording is not kept, or another file lies in its place.
    ClipError
        It cannot be read.

    """
    path, document = recording_of(kept, clip)
    if sha256_of(path) != clip.sha256:
        raise UsageError("Another file lies where this recording lay; its readings stay as they are.")
    settings, options = settings_of(document)
    find_landmarks(path, settings=settings, **options, cache=kept.results_of(clip), on_progress=on_progress)


def measured_now(kept: ClinicStore, clip: Clip, corrections: Sequence[dict[str, Any]] | None = None) -> Measurement:
    """Measure a recording with its corrections in effect (or those given).

    Raises
    ------
    UsageError
        A correction cannot be, or the landmarks are not kept any more.

    """
    document = first_document(kept, clip)
    done = _CORRECTIONS.validate_python(list(kept.corrections(clip) if corrections is None else corrections))
    facts, track = kept_landmarks(Path(clip.path), kept.results_of(clip), document)
    return measured_again(facts, track, document, in_effect(done), pain=pain_in(document))


def pain_marks(kept: ClinicStore, clip: Clip) -> dict[str, Any]:
    """Return the pain marks that count now, as a correction writes them: ``marks`` and ``none``."""
    for one in reversed(kept.corrections(clip)):
        if one["kind"] == "pain":
            return {"marks": one["marks"], "none": one["none"]}
    first = pain_in(first_document(kept, clip))
    marks = [
        [one.start_s, one.end_s, one.score if math.isfinite(one.score) else None]
        for one in marks_from_text(first.typed)
    ]
    return {"marks": marks, "none": first.none}
