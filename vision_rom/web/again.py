"""A recording of the records as it is measured now, corrections included."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter

from vision_rom.readings import Measurement
from vision_rom.records.model import Clip
from vision_rom.web.correcting import Correction, in_effect, kept_landmarks, measured_again
from vision_rom.web.store import ClinicStore

_CORRECTIONS: TypeAdapter[list[Any]] = TypeAdapter(list[Correction])


def first_document(kept: ClinicStore, clip: Clip) -> dict[str, Any]:
    """Return the reading document that the recording was first measured with."""
    readings = kept.readings_of(clip)
    return kept.versions(readings[0])[0].document


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
    return measured_again(facts, track, document, in_effect(done), pain_at_rest=_pain_at_rest(document))


def _pain_at_rest(document: dict[str, Any]) -> float:
    for reading in document["readings"]:
        score = (reading.get("painful_arc") or {}).get("rest_score")
        if score is not None:
            return float(score)
    return math.nan
