"""The clinic's pages: the day's work, patients, visits, recordings that come in, tasks for home."""

from __future__ import annotations

import io
import json
from datetime import date
from pathlib import Path
from typing import Annotated
from urllib.parse import quote

import segno
from fastapi import APIRouter, Form, HTTPException, Request
from starlette.responses import FileResponse, RedirectResponse, Response

from vision_rom.errors import UsageError
from vision_rom.handover import SIDES, Step
from vision_rom.movements import load_catalogue
from vision_rom.records import Clip, Episode, Patient, Visit
from vision_rom.visit_report.content import visit_content
from vision_rom.visit_report.files import up_to, write_visit_report
from vision_rom.visit_report.trend import trend_png
from vision_rom.web.pages import LANGUAGES, page
from vision_rom.web.routes import Number
from vision_rom.web.security import (
    REPORT_POLICY,
    Changes,
    Clinician,
    Signed,
    opened,
    settings_of,
)
from vision_rom.web.store import ClinicStore

router = APIRouter()
REPORTS = {
    "report.html": "text/html; charset=utf-8",
    "report.pdf": "application/pdf",
    "chart.txt": "text/plain; charset=utf-8",
    "bundle.json": "application/fhir+json",
    "for_the_patient.html": "text/html; charset=utf-8",
    "for_the_patient.pdf": "application/pdf",
}


# --- the day's work -----------------------------------------------------------------------------------------------


@router.get("/", include_in_schema=False)
def worklist(request: Request, session: Signed) -> Response:
    """Show today's visits, what came in and waits for review, the work that goes on, and the patients."""
    with opened(request) as kept:
        today = date.today().isoformat()
        patients = kept.patients()
        visits = [(one, visit) for one in patients for visit in kept.visits(one) if visit.date == today]
        waiting: dict[int, list[str]] = {}
        for reading in kept.to_review():
            waiting.setdefault(reading.clip_id, []).append(f"{reading.movement}|{reading.side}")
        review = [
            (kept.clip(number), kept.patient_of(kept.visit(kept.clip(number).visit_id)), names)
            for number, names in waiting.items()
        ]
        return page(
            request,
            "worklist.html.j2",
            session,
            today=today,
            visits=visits,
            review=review,
            patients=[(one, kept.name_of(one)) for one in patients],
            jobs=_shown_jobs(kept),
        )


@router.get("/jobs", include_in_schema=False)
def jobs(request: Request, session: Signed) -> Response:
    """Return the list of jobs alone, which the pages ask for again and again."""
    with opened(request) as kept:
        return page(request, "jobs.html.j2", session, jobs=_shown_jobs(kept))


def _shown_jobs(kept: ClinicStore) -> list[dict[str, object]]:
    shown = []
    for job in kept.jobs():
        name, link = f"recording {job.clip_id}", f"/clips/{job.clip_id}" if job.clip_id else ""
        if job.upload_id is not None:
            upload = kept.upload(job.upload_id)
            name = upload.name
            visit = upload.visit_id if upload.run_id is None else kept.run(upload.run_id).visit_id
            link = f"/visits/{visit}" if visit else ""
        shown.append({"job": job, "name": name, "link": link})
    return shown


@router.post("/jobs/{number}/cancel", include_in_schema=False, dependencies=[Changes])
def cancel_job(request: Request, session: Signed, number: Number) -> Response:
    """Cancel a job."""
    with opened(request, session.name) as kept:
        kept.job(number)
        kept.cancel_job(number)
        return page(request, "jobs.html.j2", session, jobs=_shown_jobs(kept))


@router.post("/jobs/{number}/repeat", include_in_schema=False, dependencies=[Changes])
def repeat_job(request: Request, session: Signed, number: Number) -> Response:
    """Try a job again that failed or was cancelled."""
    with opened(request, session.name) as kept:
        job = kept.job(number)
        if job.state not in ("failed", "cancelled"):
            raise UsageError("Only work that failed or was cancelled can be repeated.")
        kept.add_job(job.kind, upload_id=job.upload_id, clip_id=job.clip_id)
        return page(request, "jobs.html.j2", session, jobs=_shown_jobs(kept))


# --- patients and visits ------------------------------------------------------------------------------------------


@router.post("/patients", include_in_schema=False, dependencies=[Changes])
def add_patient(
    request: Request,
    session: Signed,
    code: Annotated[str, Form(max_length=60)],
    name: Annotated[str, Form(max_length=120)] = "",
    birth_year: Annotated[str, Form(max_length=4)] = "",
    sex: Annotated[str, Form(max_length=10)] = "unknown",
    dominant_side: Annotated[str, Form(max_length=10)] = "",
    complaint: Annotated[str, Form(max_length=300)] = "",
    side: Annotated[str, Form(max_length=10)] = "right",
) -> Response:
    """Add a patient, and an episode where a complaint is told."""
    if birth_year and not birth_year.isdecimal():
        raise UsageError(f"'{birth_year}' is no year of birth.")
    year = int(birth_year) if birth_year else None
    if complaint.strip() and side not in (*SIDES, "both"):
        # before the patient is added, for both are one step to whoever fills in the form
        raise UsageError(f"'{side}' is no side of a complaint.")
    made = Patient(code.strip(), year, sex, dominant_side or None)  # type: ignore[arg-type]
    with opened(request, session.name) as kept:
        patient = kept.add_patient(made, name=name.strip() or None)
        if complaint.strip():
            kept.add_episode(Episode(patient.id, side, complaint.strip()))
    return RedirectResponse(f"/patients/{quote(patient.code)}", 303)


@router.get("/patients/{code}", include_in_schema=False)
def patient_page(request: Request, session: Signed, code: str) -> Response:
    """Show a patient: visits with their readings, course, tasks for home."""
    with opened(request) as kept:
        return _patient_page(request, session, kept, kept.patient(code))


def _patient_page(
    request: Request, session: Signed, kept: ClinicStore, patient: Patient, *, link: str = "", status: int = 200
) -> Response:
    visits = kept.visits(patient)
    return page(
        request,
        "patient.html.j2",
        session,
        status=status,
        patient=patient,
        name=kept.name_of(patient),
        episodes=kept.episodes(patient),
        visits=[(one, visit_content(kept, one)) for one in reversed(visits)],
        clips=_clips_by_visit(kept, patient),
        has_course=any(len({one.visit_id for one in history.readings}) > 1 for history in kept.histories(patient)),
        tasks=[(one, kept.runs(one)) for one in kept.tasks(patient)],
        movements=load_catalogue().measured(),
        languages=LANGUAGES,
        link=link,
        code_picture=_qr(link) if link else "",
        reachable=settings_of(request).on_network,
    )


def _clips_by_visit(kept: ClinicStore, patient: Patient) -> dict[int, list[tuple[Clip, bool]]]:
    """Return the recordings of each visit, and whether each was annotated already."""
    found: dict[int, list[tuple[Clip, bool]]] = {one.id: [] for one in kept.visits(patient)}
    for clip in kept.clips(patient):
        found[clip.visit_id].append((clip, (kept.results_of(clip) / "annotated.mp4").is_file()))
    return found


def _qr(link: str) -> str:
    buffer = io.BytesIO()
    segno.make(link, error="m").save(buffer, kind="svg", scale=5, border=4, light="#fff")
    from base64 import b64encode

    return "data:image/svg+xml;base64," + b64encode(buffer.getvalue()).decode()


@router.post("/patients/{code}/visits", include_in_schema=False, dependencies=[Changes])
def add_visit(
    request: Request,
    session: Signed,
    code: str,
    position: Annotated[str, Form(max_length=10)] = "standing",
    motion: Annotated[str, Form(max_length=10)] = "active",
) -> Response:
    """Begin a visit today."""
    with opened(request, session.name) as kept:
        patient = kept.patient(code)
        episodes = kept.episodes(patient)
        visit = kept.add_visit(
            Visit(
                patient.id,
                date.today().isoformat(),
                episodes[-1].id if episodes else None,
                position,  # type: ignore[arg-type]
                motion,  # type: ignore[arg-type]
                session.name,
            )
        )
    return RedirectResponse(f"/visits/{visit.id}", 303)


@router.get("/visits/{number}", include_in_schema=False)
def visit_page(request: Request, session: Signed, number: Number) -> Response:
    """Show a visit: drop recordings, see their readings."""
    with opened(request) as kept:
        visit = kept.visit(number)
        patient = kept.patient_of(visit)
        clips = [one for one in kept.clips(patient) if one.visit_id == visit.id]
        return page(
            request,
            "visit.html.j2",
            session,
            visit=visit,
            patient=patient,
            clips=[(one, kept.readings_of(one)) for one in clips],
            content=visit_content(kept, visit),
            movements=load_catalogue().readable(),
            jobs=_shown_jobs(kept),
        )


@router.get("/visits/{number}/files/{name}", include_in_schema=False)
def visit_file(request: Request, session: Clinician, number: Number, name: str) -> Response:
    """Write one of a visit's reports as things stand now, and send it."""
    if name not in REPORTS:
        raise HTTPException(404)
    with opened(request, session.name) as kept:
        visit = kept.visit(number)
        folder = kept.folder_of(visit)
        write_visit_report(kept, visit, folder, reader="patient" if name.startswith("for_the") else "chart")
        kept.note(f"exported {name} of visit {number}")
    policy = {"content-security-policy": REPORT_POLICY} if name.endswith(".html") else {}
    return FileResponse(folder / name, media_type=REPORTS[name], headers=policy)


@router.get("/patients/{code}/course.png", include_in_schema=False)
def course(request: Request, session: Signed, code: str) -> Response:
    """Draw a patient's readings over the visits."""
    with opened(request) as kept:
        patient = kept.patient(code)
        histories = up_to(kept.histories(patient), "9999-12-31")
        if not histories:
            raise HTTPException(404)
        picture = trend_png(patient, kept.episodes(patient), histories)
    return Response(picture, media_type="image/png")


@router.get("/patients/{code}/export.json", include_in_schema=False)
def export(request: Request, session: Clinician, code: str) -> Response:
    """Send everything that is kept of a patient."""
    with opened(request, session.name) as kept:
        patient = kept.patient(code)
        text = json.dumps(kept.export_patient(patient), indent=2, ensure_ascii=False)
        kept.note(f"exported patient {patient.code}")
    headers = {"content-disposition": f"attachment; filename*=UTF-8''{quote(patient.code)}.json"}
    return Response(text, media_type="application/json", headers=headers)


@router.post("/patients/{code}/delete", include_in_schema=False, dependencies=[Changes])
def delete_patient(
    request: Request, session: Clinician, code: str, again: Annotated[str, Form(max_length=60)] = ""
) -> Response:
    """Delete a patient wholly; the code has to be typed once more."""
    with opened(request, session.name) as kept:
        patient = kept.patient(code)
        if again.strip() != patient.code:
            raise UsageError("Nothing was deleted: the code that was typed is not this patient's.")
        kept.delete_patient(patient)
    return RedirectResponse("/", 303)


# --- tasks for home -----------------------------------------------------------------------------------------------


@router.post("/patients/{code}/tasks", include_in_schema=False, dependencies=[Changes])
async def add_task(request: Request, session: Signed, code: str) -> Response:
    """Make a task for home and show its link, this once."""
    form = await request.form()
    steps = [_step(str(value)) for value in form.getlist("step")]
    days, uses = str(form.get("days", "7")), str(form.get("uses", "3"))
    if not (days.isdecimal() and uses.isdecimal() and len(days + uses) < 10):
        raise UsageError("Days and uses are whole numbers.")
    language = str(form.get("language", "en"))
    if language not in LANGUAGES:
        raise UsageError(f"There is no language '{language}'.")
    with opened(request, session.name) as kept:
        patient = kept.patient(code)
        _, token = kept.add_task(
            patient,
            steps,
            days=int(days),
            uses=int(uses),
            language=language,
            shows_angle=form.get("shows_angle") == "on",
        )
        link = f"{settings_of(request).base_url}/home/{token}"
        return _patient_page(request, session, kept, patient, link=link, status=201)


def _step(text: str) -> Step:
    name, _, side = text.partition("|")
    found = load_catalogue()
    if name not in found or found[name].status != "measured" or side not in ("left", "right", "both"):
        raise UsageError("A task names a movement that was never offered.")
    return Step(name, side)  # type: ignore[arg-type]


@router.post("/tasks/{number}/revoke", include_in_schema=False, dependencies=[Changes])
def revoke(request: Request, session: Signed, number: Number) -> Response:
    """End a task at once."""
    with opened(request, session.name) as kept:
        task = kept.task(number)
        kept.revoke_task(number)
        patient = next(one for one in kept.patients() if one.id == task.patient_id)
    return RedirectResponse(f"/patients/{quote(patient.code)}", 303)


@router.get("/audit", include_in_schema=False)
def audit(request: Request, session: Clinician) -> Response:
    """Show the audit trail, newest first."""
    with opened(request) as kept:
        return page(request, "audit.html.j2", session, lines=list(reversed(kept.audit()))[:500])


def file_of(path: Path, kind: str) -> Response:
    """Send a file of the records, or say that it is not there."""
    if not path.is_file():
        raise HTTPException(404, "This file is not there.")
    return FileResponse(path, media_type=kind)
