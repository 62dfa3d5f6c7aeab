"""Recordings that somebody of the clinic sends."""

from __future__ import annotations

from typing import Literal

from fastapi import APIRouter, HTTPException, Request
from pydantic import Field

from vision_rom.errors import UsageError
from vision_rom.handover import Side
from vision_rom.movements import movement as movement_named
from vision_rom.web.receiving import Announced, Arrived, append, arrived, check_room
from vision_rom.web.routes import UPLOAD_PIECE, Number, refusing
from vision_rom.web.security import UPLOAD_RATE, Changes, Signed, address_of, opened, rates_of, settings_of

router = APIRouter()


class AnnouncedInClinic(Announced):
    """A recording that somebody of the clinic sends."""

    movement: str | None = Field(None, max_length=60)
    side: Side | Literal["both"] | None = None
    mirrored: bool = False
    consent: Literal[True]
    """The patient agreed that the recording is kept"""


@router.post(
    "/api/visits/{number}/uploads",
    status_code=201,
    dependencies=[Changes],
    tags=["recordings"],
    responses=refusing(400, 401, 403, 404, 413, 429, 507),
)
def announce(request: Request, session: Signed, number: Number, announced: AnnouncedInClinic) -> Arrived:
    """Announce a recording; its pieces follow."""
    settings = settings_of(request)
    rates_of(request).spend(UPLOAD_RATE, "upload", address_of(request))
    if announced.movement is not None and movement_named(announced.movement).status == "planned":
        raise UsageError(f"This version does not measure {announced.movement} yet.")
    with opened(request, session.name) as kept:
        visit = kept.visit(number)
        check_room(settings, kept, announced.size)
        upload = kept.add_upload(
            name=announced.name,
            size=announced.size,
            visit_id=visit.id,
            movement=announced.movement,
            side=announced.side,
            mirrored=announced.mirrored,
        )
    return arrived(settings, upload)


@router.get("/api/uploads/{name}", tags=["recordings"], responses=refusing(401, 404))
def how_far(request: Request, session: Signed, name: str) -> Arrived:
    """Tell how far a recording has come in."""
    with opened(request) as kept:
        return arrived(settings_of(request), kept.upload(name))


@router.patch(
    "/api/uploads/{name}",
    dependencies=[Changes],
    tags=["recordings"],
    responses=refusing(401, 403, 404, 409, 413, 423, 507),
    openapi_extra=UPLOAD_PIECE,
)
async def piece(request: Request, session: Signed, name: str) -> Arrived:
    """Append a piece (the raw body) at ``Upload-Offset``; the last one starts the measuring."""
    settings = settings_of(request)
    with opened(request, session.name) as kept:
        upload = kept.upload(name)
        if upload.visit_id is None:
            raise HTTPException(403, "This recording is the patient's own.")
        if await append(request, settings, upload) == upload.size:
            kept.hand_on(upload, was="receiving", becomes="received", work="measure")
        return arrived(settings, kept.upload(name))
