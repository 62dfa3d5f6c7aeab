"""Review of one recording: its curve beside its pictures, corrections, acceptance."""

from __future__ import annotations

import math
import threading
from pathlib import Path
from typing import Any, Literal

import numpy as np
from fastapi import APIRouter, HTTPException, Request
from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import Response

from vision_rom.handover import Landmark
from vision_rom.movements import load_catalogue
from vision_rom.readings import Measurement
from vision_rom.records.model import Clip
from vision_rom.report.document import reading_document
from vision_rom.report.pain import pain_in_words
from vision_rom.report.screen import place_in_words
from vision_rom.web.again import measured_now, pain_marks, recording_of
from vision_rom.web.clinic import file_of
from vision_rom.web.correcting import Correction
from vision_rom.web.pages import page
from vision_rom.web.proxy import PROXY_NAME
from vision_rom.web.routes import Number, refusing
from vision_rom.web.security import Changes, Clinician, Signed, opened
from vision_rom.web.store import NO_LONGER_READ, ClinicStore

router = APIRouter()
JOINTS = tuple(f"{side}_{part}" for part in ("shoulder", "elbow", "wrist", "hip") for side in ("left", "right"))
PICTURES = {
    "curve.png": "image/png",
    "peak_left.jpg": "image/jpeg",
    "peak_right.jpg": "image/jpeg",
    "sheet_left.jpg": "image/jpeg",
    "sheet_right.jpg": "image/jpeg",
    "examination.jpg": "image/jpeg",
    "annotated.mp4": "video/mp4",
}
_one_at_a_time = threading.Semaphore(2)
"""Measuring again takes a core for a second; more at once would starve the pages"""


class Curve(BaseModel):
    """The smoothed angle of one movement and side."""

    movement: str
    side: str
    time_s: list[float]
    angle_deg: list[float | None]


class Shown(BaseModel):
    """Everything that the review page draws."""

    clip: int
    width_px: int
    height_px: int
    duration_s: float
    frame_index: list[int]
    frame_time_s: list[float]
    joints: list[str]
    points_px: list[list[float] | None]
    """For each picture x and y of every joint in turn; null where the patient was not found"""
    curves: list[Curve]
    readings: list[dict[str, Any]]
    """Each with ``id``, ``review``, and the fields of the reading document"""
    places: list[dict[str, Any]]
    """Results without a curve, as the reading document has them, each also ``in_words``"""
    pain: dict[str, Any]
    """Marks as they were said at first or corrected last, and whether there was none"""
    corrections: int
    """How many can be undone"""


class Review(BaseModel):
    """What a person says of a reading."""

    model_config = ConfigDict(extra="forbid")
    review: Literal["accepted", "rejected"]
    note: str = Field("", max_length=2000)


@router.get("/clips/{number}", include_in_schema=False)
def review_page(request: Request, session: Signed, number: Number) -> Response:
    """Show the review page."""
    with opened(request) as kept:
        clip = kept.clip(number)
        visit = kept.visit(clip.visit_id)
        results = kept.results_of(clip)
        return page(
            request,
            "review.html.j2",
            session,
            clip=clip,
            visit=visit,
            patient=kept.patient_of(visit),
            movements=load_catalogue().readable(),
            readings=kept.readings_of(clip),
            annotated=(results / "annotated.mp4").is_file(),
            examination=(results / "examination.jpg").is_file(),
        )


@router.get("/clips/{number}/video", include_in_schema=False)
def video(request: Request, session: Signed, number: Number) -> Response:
    """Send the recording as browsers play it."""
    with opened(request) as kept:
        clip = kept.clip(number)
        playable = kept.results_of(clip) / PROXY_NAME
    return file_of(playable if playable.is_file() else Path(clip.path), "video/mp4")


@router.get("/clips/{number}/files/{name}", include_in_schema=False)
def picture(request: Request, session: Signed, number: Number, name: str) -> Response:
    """Send one of the result's pictures."""
    if name not in PICTURES:
        raise HTTPException(404)
    with opened(request) as kept:
        return file_of(kept.results_of(kept.clip(number)) / name, PICTURES[name])


@router.post("/clips/{number}/annotated", include_in_schema=False, dependencies=[Changes])
def annotate(request: Request, session: Signed, number: Number) -> Response:
    """Queue the annotated recording, heads hidden."""
    with opened(request, session.name) as kept:
        kept.add_job("annotate", clip_id=kept.clip(number).id)
    return Response(status_code=204)


@router.post("/clips/{number}/measure", include_in_schema=False, dependencies=[Changes])
def measure_again(request: Request, session: Clinician, number: Number) -> Response:
    """Queue a recording to be measured again from its pictures, as where the kept landmarks are of an older version."""
    with opened(request, session.name) as kept:
        clip = kept.clip(number)
        recording_of(kept, clip)
        kept.add_job("measure", clip_id=clip.id)
        kept.note(f"asked that recording {clip.id} is measured again")
    return Response(status_code=204)


@router.get("/api/clips/{number}", tags=["review"], responses=refusing(400, 401, 404))
def shown(request: Request, session: Signed, number: Number) -> Shown:
    """Return curves, points and readings as they are now."""
    with opened(request) as kept, _one_at_a_time:
        clip = kept.clip(number)
        return _shown(kept, clip, measured_now(kept, clip))


@router.post(
    "/api/clips/{number}/corrections",
    dependencies=[Changes],
    tags=["review"],
    responses=refusing(400, 401, 403, 404, 413),
)
def correct(request: Request, session: Clinician, number: Number, correction: Correction) -> Shown:
    """Correct a recording: measured again at once, the readings before are kept."""
    with opened(request, session.name) as kept, _one_at_a_time:
        clip = kept.clip(number)
        what = correction.model_dump(mode="json")
        return _changed(kept, clip, what, [*kept.corrections(clip), what])


@router.delete(
    "/api/clips/{number}/corrections/last",
    dependencies=[Changes],
    tags=["review"],
    responses=refusing(400, 401, 403, 404, 409),
)
def undo(request: Request, session: Clinician, number: Number) -> Shown:
    """Undo the last correction."""
    with opened(request, session.name) as kept, _one_at_a_time:
        clip = kept.clip(number)
        before = kept.corrections(clip)
        if not before:
            raise HTTPException(409, "There is nothing to undo.")
        return _changed(kept, clip, None, list(before[:-1]))


def _changed(kept: ClinicStore, clip: Clip, what: dict[str, Any] | None, all_of: list[dict[str, Any]]) -> Shown:
    measurement = measured_now(kept, clip, all_of)
    # pictures take longer than a person at the curve likes to wait: they are drawn in the background
    kept.correct(clip, what, reading_document(measurement))
    return _shown(kept, clip, measurement)


@router.post(
    "/api/readings/{number}/review",
    dependencies=[Changes],
    tags=["review"],
    responses=refusing(400, 401, 403, 404, 413),
)
def review(request: Request, session: Clinician, number: Number, said: Review) -> dict[str, Any]:
    """Accept or reject a reading, with a remark."""
    with opened(request, session.name) as kept:
        one = kept.review(kept.reading(number), said.review, note=said.note.strip() or None)
        return {"id": one.id, "review": one.review, "by": one.reviewed_by, "note": one.note}


def _shown(kept: ClinicStore, clip: Clip, measurement: Measurement) -> Shown:
    track = measurement.track
    rows = [Landmark[name.upper()].value for name in JOINTS]
    points = track.landmarks_px[:, rows, :2]
    document = reading_document(measurement)
    readings = {(one.movement, one.side): one for one in kept.readings_of(clip) if one.note not in NO_LONGER_READ}
    told = []
    for number, reading in enumerate(document["readings"]):
        stored = readings.get((reading["movement"], reading["side"]))
        told.append(
            reading
            | {
                "id": None if stored is None else stored.id,
                "review": "unreviewed" if stored is None else stored.review,
                "note": None if stored is None else stored.note,
                "pain_in_words": list(pain_in_words(measurement.pain[number])) if measurement.pain else [],
            }
        )
    return Shown(
        clip=clip.id,
        width_px=track.width_px,
        height_px=track.height_px,
        duration_s=round(measurement.clip.duration_s, 3),
        frame_index=[int(one) for one in track.frame_index],
        frame_time_s=[round(float(one), 4) for one in track.time_s],
        joints=list(JOINTS),
        points_px=[
            [round(float(value), 1) for value in row.ravel()] if np.isfinite(row).all() else None for row in points
        ],
        curves=[
            Curve(
                movement=one.source.movement,
                side=one.source.side,
                time_s=[round(float(value), 4) for value in one.time_s],
                angle_deg=[round(float(value), 2) if math.isfinite(value) else None for value in one.angle_deg],
            )
            for one in measurement.curves
        ],
        readings=told,
        places=[
            told | {"in_words": place_in_words(one)}
            for told, one in zip(document["places"], measurement.places, strict=True)
        ],
        pain=pain_marks(kept, clip),
        corrections=len(kept.corrections(clip)),
    )
