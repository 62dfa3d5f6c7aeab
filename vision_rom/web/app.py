"""The application: all routes behind one gate. ``create_app`` makes it, ``vision-rom serve`` runs it."""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib.resources import files
from pathlib import Path

from fastapi import FastAPI, HTTPException, Request
from fastapi.exceptions import RequestValidationError
from fastapi.staticfiles import StaticFiles
from starlette.responses import JSONResponse, RedirectResponse, Response

from vision_rom import __version__
from vision_rom.errors import UsageError, VisionRomError
from vision_rom.web import clinic, entrance, home, incoming, review
from vision_rom.web.pages import page
from vision_rom.web.runner import Runner
from vision_rom.web.security import Gate, Rates, settings_of
from vision_rom.web.settings import ServeSettings, without_places
from vision_rom.web.store import ClinicStore

_log = logging.getLogger(__name__)


def create_app(settings: ServeSettings, *, work: bool = True) -> FastAPI:
    """Return the application.

    Parameters
    ----------
    settings : what the operator decided.
    work : also run the background jobs; False for tests that look at pages only.

    """
    with ClinicStore(settings.folder, who="the server"):
        # made, or brought to this version, before the first request
        pass
    runner = Runner(settings)

    @asynccontextmanager
    async def life(_: FastAPI) -> AsyncIterator[None]:
        if work:
            runner.start()
        yield
        if work:
            runner.stop()

    app = FastAPI(
        title="vision-rom",
        version=__version__,
        description="Review of measured recordings on the clinic's own machine. Not a diagnosis.",
        lifespan=life,
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
    )
    app.state.settings = settings
    app.state.rates = Rates()
    app.state.receiving = set()
    for room in (entrance, clinic, incoming, review, home):
        app.include_router(room.router)
    app.mount("/static", StaticFiles(directory=Path(str(files("vision_rom.web").joinpath("static")))), name="static")
    app.add_exception_handler(HTTPException, _refused)
    app.add_exception_handler(404, _refused)
    app.add_exception_handler(405, _refused)
    app.add_exception_handler(RequestValidationError, _not_understood)
    app.add_exception_handler(VisionRomError, _in_a_sentence)
    app.add_exception_handler(OSError, _refused_by_the_machine)
    app.add_exception_handler(sqlite3.Error, _refused_by_the_machine)
    app.add_middleware(Gate, settings=settings)
    return app


def _wants_page(request: Request) -> bool:
    return "text/html" in request.headers.get("accept", "") and not request.url.path.startswith("/api/")


def _answer(request: Request, status: int, sentence: str, headers: dict[str, str] | None = None) -> Response:
    if _wants_page(request):
        answer: Response = page(request, "refused.html.j2", status=status, sentence=sentence)
    else:
        answer = JSONResponse({"detail": sentence}, status)
    answer.headers.update(headers or {})
    return answer


def _refused(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException) or hasattr(error, "status_code")
    status, headers = int(error.status_code), dict(getattr(error, "headers", None) or {})
    if status == 303:
        return RedirectResponse(headers["location"], 303)
    words = {404: "There is no such page.", 405: "This cannot be done here."}
    detail = str(getattr(error, "detail", "") or "")
    sentence = words[status] if status in words and detail in ("", "Not Found", "Method Not Allowed") else detail
    return _answer(request, status, sentence, headers)


def _not_understood(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    first = error.errors()[0]
    where = ".".join(str(part) for part in first["loc"][1:]) or "the request"
    return _answer(request, 422, f"{where}: {first['msg']}.")


def _in_a_sentence(request: Request, error: Exception) -> Response:
    missing = isinstance(error, UsageError) and str(error).startswith("There is no ")
    # where the records lie, and which command lists them, is for the terminal
    sentence = str(error).partition(" in '")[0] + "." if missing and " in '" in str(error) else str(error)
    sentence = without_places(sentence, settings_of(request).folder)
    return _answer(request, 404 if missing else 400 if isinstance(error, UsageError) else 500, sentence)


def _refused_by_the_machine(request: Request, error: Exception) -> Response:
    """Say that the disk or the database refused; what exactly is for the terminal."""
    _log.warning("%s %s: %s", request.method, request.url.path.partition("/home/")[0], error)
    return _answer(request, 503, "The clinic's machine cannot do this now; nothing was changed. Please try again.")
