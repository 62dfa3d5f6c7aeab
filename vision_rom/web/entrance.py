"""Signing in and out, and the server's own description."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Form, HTTPException, Request
from starlette.responses import JSONResponse, RedirectResponse, Response

from vision_rom.web.accounts import SESSION_HOURS
from vision_rom.web.pages import page
from vision_rom.web.security import (
    SIGN_IN_RATE,
    Signed,
    address_of,
    cookie_name,
    from_our_page,
    opened,
    password_fits,
    rates_of,
    same_origin,
    settings_of,
    somebody,
)
from vision_rom.web.store import ClinicStore

router = APIRouter()
USED_ALREADY = "This address was used already. Start the server again for a new one."


@router.get("/sign-in", include_in_schema=False)
def sign_in_page(request: Request) -> Response:
    """Show the form, or where to look for the way in while there are no accounts."""
    if somebody(request) is not None:
        return RedirectResponse("/", 303)
    with opened(request) as kept:
        return page(request, "sign_in.html.j2", accounts=bool(kept.accounts()), wrong=False)


@router.post("/sign-in", include_in_schema=False, dependencies=[Depends(same_origin)])
def sign_in(
    request: Request, name: Annotated[str, Form(max_length=200)], password: Annotated[str, Form(max_length=1000)]
) -> Response:
    """Open a session; a wrong name and a wrong password look alike and take equally long."""
    rates_of(request).spend(SIGN_IN_RATE, "sign-in", address_of(request))
    rates_of(request).spend(SIGN_IN_RATE, "sign-in as", name)
    with opened(request, name) as kept:
        if not password_fits(kept.password_of(name), password):
            kept.note("a sign-in under this name failed")
            return page(request, "sign_in.html.j2", status=403, accounts=True, wrong=True)
        return _with_session(request, kept, kept.begin_session(name))


@router.get("/enter/{token}", include_in_schema=False)
def enter(request: Request, token: str) -> Response:
    """Let the user of this machine in by the address that the server printed; it opens once."""
    rates_of(request).spend(SIGN_IN_RATE, "sign-in", address_of(request))
    with opened(request) as kept:
        session = kept.session(token, once=True)
        if session is None:
            raise HTTPException(403, USED_ALREADY)
        if not kept.end_session(token):
            raise HTTPException(403, USED_ALREADY)
        return _with_session(request, kept, kept.begin_session(session.name, session.role))


@router.post("/sign-out", include_in_schema=False, dependencies=[Depends(from_our_page)])
def sign_out(request: Request, _: Signed) -> Response:
    """End the session."""
    name = cookie_name(settings_of(request))
    with opened(request) as kept:
        kept.end_session(request.cookies.get(name, ""))
    answer = RedirectResponse("/sign-in", 303)
    answer.delete_cookie(name, path="/", secure=settings_of(request).secure, httponly=True, samesite="lax")
    return answer


@router.get("/api/openapi.json", include_in_schema=False)
def description(request: Request, _: Signed) -> Response:
    """Return the description of the data routes (OpenAPI)."""
    return JSONResponse(request.app.openapi())


def _with_session(request: Request, kept: ClinicStore, token: str) -> Response:
    settings = settings_of(request)
    # whoever sat here before is not left signed in behind the new cookie
    kept.end_session(request.cookies.get(cookie_name(settings), ""))
    answer = RedirectResponse("/", 303)
    answer.set_cookie(
        cookie_name(settings),
        token,
        max_age=SESSION_HOURS * 3600,
        path="/",
        secure=settings.secure,
        httponly=True,
        samesite="lax",
    )
    return answer
