"""The patient's page: what to do, consent, a recording for each movement, and whether it can be used.

The link is the only key; it opens its own task and nothing else. No cookie opens anything here, so no other page can act for the
patient; what the page sends carries the link.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Depends, Form, HTTPException, Request
from pydantic import ConfigDict, Field
from starlette.responses import RedirectResponse, Response

from vision_rom.errors import UsageError
from vision_rom.handover import Step
from vision_rom.movements import movement as movement_named
from vision_rom.movements.pictures import where_to_stand_svg
from vision_rom.web.home_words import FAULTS, HOW_TO_FILM, HOW_TO_MOVE, STOP_REASONS, TITLES
from vision_rom.web.model import HomeRun, HomeTask, Upload
from vision_rom.web.pages import LANGUAGES, home_page, language_of, translated
from vision_rom.web.receiving import Announced, Arrived, append, arrived, check_room
from vision_rom.web.routes import UPLOAD_PIECE, refusing
from vision_rom.web.security import (
    LINK_RATE,
    UNKNOWN_LINK_RATE,
    address_of,
    opened,
    rates_of,
    same_origin,
    settings_of,
)
from vision_rom.web.store import ClinicStore

router = APIRouter(prefix="/home/{token}")
FromHere = Depends(same_origin)


class AnnouncedAtHome(Announced):
    """A recording of one step of the task."""

    model_config = ConfigDict(extra="forbid")
    step: int = Field(ge=0, le=100)


class Answer(Arrived):
    """How far a recording has come in, and what should be filmed otherwise, in the patient's words."""

    faults: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ShownStep:
    """One movement of the list as the page shows it."""

    number: int
    step: Step
    title: str
    how_to_move: str
    how_to_film: str
    upload: Upload | None
    """The newest recording that was not replaced"""

    @property
    def done(self) -> bool:
        """Whether it was sent."""
        return self.upload is not None and self.upload.state == "sent"


def _task(request: Request, kept: ClinicStore, token: str) -> HomeTask:
    """Return the task of a link; links that are none are counted, so that nobody can try many."""
    rates, where = rates_of(request), address_of(request)
    if not rates.left(UNKNOWN_LINK_RATE, "unknown link", where):
        raise HTTPException(429, "Too many tries. Please wait a minute and try again.")
    rates.spend(LINK_RATE, "link", token)
    task = kept.task_of(token)
    if task is None:
        rates.spend(UNKNOWN_LINK_RATE, "unknown link", where)
        raise HTTPException(410, "This link is no longer open. Please ask the clinic for a new one.")
    return task


def _open_run(kept: ClinicStore, task: HomeTask) -> HomeRun:
    run = kept.run_of(task)
    if run is None:
        raise HTTPException(409, "Please begin on the first page.")
    return run


def _own_upload(kept: ClinicStore, run: HomeRun, name: str) -> Upload:
    upload = kept.upload(name)
    if upload.run_id != run.id:
        raise HTTPException(404, "There is no such recording.")
    return upload


@contextmanager
def _one_recording(request: Request, token: str, name: str) -> Iterator[tuple[ClinicStore, HomeTask, Upload]]:
    """Open the records with the task of a link and one recording of the run that goes on."""
    with opened(request, "the patient") as kept:
        task = _task(request, kept, token)
        yield kept, task, _own_upload(kept, _open_run(kept, task), name)


def _give_up(kept: ClinicStore, upload: Upload) -> None:
    kept.set_upload(upload.id, state="replaced", path=None)
    kept.cancel_jobs_of(upload)
    kept.forget_files(upload)


def _steps(kept: ClinicStore, task: HomeTask, run: HomeRun | None, language: str) -> list[ShownStep]:
    uploads = (
        [] if run is None else [one for one in kept.uploads(run_id=run.id) if one.state not in ("replaced", "refused")]
    )
    shown = []
    for number, step in enumerate(task.steps):
        own = [one for one in uploads if (one.movement, one.side) == (step.movement, step.side)]
        shown.append(
            ShownStep(
                number,
                step,
                translated(TITLES[step.movement], language),
                translated(HOW_TO_MOVE[step.movement], language),
                translated(HOW_TO_FILM[_place(step)], language),
                own[-1] if own else None,
            )
        )
    return shown


def _place(step: Step) -> str:
    best = movement_named(step.movement).views[0]
    return "side" if best in ("own_side", "other_side") else "turned" if best == "oblique" else best


@router.get("", include_in_schema=False)
def start(request: Request, token: str) -> Response:
    """Show the page of a task: the beginning, the next movement, or that all was sent."""
    with opened(request, "the patient") as kept:
        try:
            task = _task(request, kept, token)
        except HTTPException as error:
            language = language_of(request, "en")
            return home_page("home_closed.html.j2", language, status=error.status_code, sentence=error.detail, token="")
        language = language_of(request, task.language)
        run = kept.run_of(task)
        steps = _steps(kept, task, run, language)
        answer = home_page(
            "home.html.j2" if run is not None else "home_begin.html.j2",
            language,
            token=token,
            task=task,
            run=run,
            steps=steps,
            next=next((one for one in steps if not one.done), None),
            stop_reasons=STOP_REASONS,
        )
        if request.query_params.get("language") in LANGUAGES:
            secure = settings_of(request).secure
            answer.set_cookie("language", language, path="/home", httponly=True, samesite="lax", secure=secure)
        return answer


@router.get("/drawing/{number}.svg", include_in_schema=False)
def drawing(request: Request, token: str, number: int) -> Response:
    """Draw where the patient and the phone stand for one movement."""
    with opened(request, "the patient") as kept:
        task = _task(request, kept, token)
        if not 0 <= number < len(task.steps):
            raise HTTPException(404)
        step = task.steps[number]
    svg = where_to_stand_svg(
        movement_named(step.movement), side="left" if step.side == "left" else "right", words=False
    )
    return Response(svg, media_type="image/svg+xml")


@router.post("/begin", include_in_schema=False, dependencies=[FromHere])
def begin(
    request: Request,
    token: str,
    consent: Annotated[str, Form(max_length=5)] = "",
    understood: Annotated[str, Form(max_length=5)] = "",
    pain: Annotated[str, Form(max_length=4)] = "",
) -> Response:
    """Begin after consent; takes one use of the link."""
    with opened(request, "the patient") as kept:
        task = _task(request, kept, token)
        if consent != "yes" or understood != "yes" or not pain.isdecimal():
            raise HTTPException(400, "Please tick both boxes and choose a number for your pain.")
        if kept.run_of(task) is None:
            kept.begin_run(task, float(pain))
    return RedirectResponse(f"/home/{token}", 303)


@router.post(
    "/uploads",
    status_code=201,
    dependencies=[FromHere],
    tags=["home"],
    responses=refusing(400, 403, 404, 409, 410, 413, 429, 507),
)
def announce(request: Request, token: str, announced: AnnouncedAtHome) -> Answer:
    """Announce the recording of one step; an earlier one of the same step that did not arrive whole is given up."""
    settings = settings_of(request)
    with opened(request, "the patient") as kept:
        task = _task(request, kept, token)
        run = _open_run(kept, task)
        check_room(settings, kept, announced.size)
        if announced.step >= len(task.steps):
            raise HTTPException(404, "There is no such step.")
        step = task.steps[announced.step]
        own = [one for one in kept.uploads(run_id=run.id) if (one.movement, one.side) == (step.movement, step.side)]
        if any(one.state == "sent" for one in own):
            raise HTTPException(409, "This movement was sent already.")
        if len(own) >= 12:
            raise HTTPException(429, "This movement was recorded very often. Please ask the clinic.")
        for one in own:
            _give_up(kept, one)
        upload = kept.add_upload(
            name=announced.name, size=announced.size, run_id=run.id, movement=step.movement, side=step.side
        )
        return _answer(request, task, upload)


@router.get("/uploads/{name}", tags=["home"], responses=refusing(404, 409, 410, 429))
def how_far(request: Request, token: str, name: str) -> Answer:
    """Tell how far a recording has come in, and what was seen of it."""
    with _one_recording(request, token, name) as (_, task, upload):
        return _answer(request, task, upload)


@router.patch(
    "/uploads/{name}",
    dependencies=[FromHere],
    tags=["home"],
    responses=refusing(403, 404, 409, 410, 413, 423, 429, 507),
    openapi_extra=UPLOAD_PIECE,
)
async def piece(request: Request, token: str, name: str) -> Answer:
    """Append a piece (the raw body) at ``Upload-Offset``; after the last one the recording is looked at."""
    with _one_recording(request, token, name) as (kept, task, upload):
        if await append(request, settings_of(request), upload) == upload.size:
            kept.hand_on(upload, was="receiving", becomes="received", work="look")
        return _answer(request, task, kept.upload(name))


@router.post(
    "/uploads/{name}/keep", dependencies=[FromHere], tags=["home"], responses=refusing(403, 404, 409, 410, 429)
)
def keep(request: Request, token: str, name: str) -> Answer:
    """Send a recording that was looked at to the clinic."""
    with _one_recording(request, token, name) as (kept, task, upload):
        if upload.state not in ("looked_at", "sent"):
            raise HTTPException(409, "The recording was not looked at yet.")
        kept.hand_on(upload, was="looked_at", becomes="sent", work="measure")
        return _answer(request, task, kept.upload(name))


@router.post(
    "/uploads/{name}/again", dependencies=[FromHere], tags=["home"], responses=refusing(403, 404, 409, 410, 429)
)
def again(request: Request, token: str, name: str) -> Answer:
    """Give a recording up, to record again."""
    with _one_recording(request, token, name) as (kept, task, upload):
        if upload.state == "sent":
            raise HTTPException(409, "This movement was sent already.")
        _give_up(kept, upload)
        return _answer(request, task, kept.upload(name))


@router.post("/finish", include_in_schema=False, dependencies=[FromHere])
def end(request: Request, token: str, stopped: Annotated[str, Form(max_length=20)] = "") -> Response:
    """End the run: all was sent, or the patient stops, with the reason."""
    with opened(request, "the patient") as kept:
        task = _task(request, kept, token)
        run = _open_run(kept, task)
        language = language_of(request, task.language)
        if stopped and stopped not in STOP_REASONS:
            raise UsageError("This is none of the reasons.")
        if not stopped and not all(one.done for one in _steps(kept, task, run, language)):
            raise HTTPException(409, "Not every movement was sent.")
        kept.set_run(run, finished=1, stopped=STOP_REASONS.get(stopped, ""))
        kept.note(f"the patient {'stopped' if stopped else 'finished'} task {task.id}")
    return RedirectResponse(f"/home/{token}/sent", 303)


@router.get("/sent", include_in_schema=False)
def sent(request: Request, token: str) -> Response:
    """Say that all was sent; angles only where the clinic allowed it."""
    with opened(request, "the patient") as kept:
        task = _task(request, kept, token)
        language = language_of(request, task.language)
        run = next((one for one in kept.runs(task) if one.finished), None)
        if run is None:
            return RedirectResponse(f"/home/{token}", 303)
        angles = []
        if task.shows_angle and run.visit_id is not None:
            angles = [
                (translated(TITLES[one.movement], language), one.side, round(one.held_deg))
                for one in kept.readings(kept.visit(run.visit_id))
                if one.measured and one.movement in TITLES
            ]
        return home_page("home_sent.html.j2", language, token=token, run=run, angles=angles, task=task)


def _answer(request: Request, task: HomeTask, upload: Upload) -> Answer:
    language = language_of(request, task.language)
    here = arrived(settings_of(request), upload)
    codes = upload.message.split() if upload.state in ("looked_at", "sent") else []
    faults = tuple(translated(FAULTS[code], language) for code in codes if code in FAULTS)
    return Answer(**here.model_dump(exclude={"message"}), message="" if codes else here.message, faults=faults)
