"""Recordings come in piece by piece, straight to disk, and go on where a broken line left off.

A piece is a PATCH with ``Upload-Offset``, the count of bytes that came before it, as in the open tus protocol. What has arrived is
the size of the file itself, so nothing else can disagree with it.
"""

from __future__ import annotations

import io
import os
import shutil
import time
from pathlib import Path
from typing import Annotated

from fastapi import HTTPException, Request
from pydantic import BaseModel, ConfigDict, Field
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect

from vision_rom.errors import UsageError
from vision_rom.web.model import Upload
from vision_rom.web.settings import ServeSettings
from vision_rom.web.store import ClinicStore

ABANDONED_DAYS = 7
OFFSET = "upload-offset"


class Announced(BaseModel):
    """A recording that will be sent."""

    model_config = ConfigDict(extra="forbid")
    name: str = Field(min_length=1, max_length=300)
    size: Annotated[int, Field(gt=0, le=1 << 50)]


class Arrived(BaseModel):
    """How far a recording has come in."""

    id: str
    offset: int
    """Bytes that have arrived"""
    size: int
    state: str
    message: str


def check_room(settings: ServeSettings, kept: ClinicStore, size: int) -> None:
    """Refuse a recording that is too large, or for which the disk has no room beside those that are still coming in."""
    if size > settings.largest_recording_bytes:
        largest = settings.largest_recording_bytes / (1 << 30)
        raise HTTPException(413, f"A recording may have at most {largest:g} GB. Record again for a shorter time.")
    settings.receiving.mkdir(parents=True, exist_ok=True)
    awaited = sum(max(one.size - _size(settings.receiving / one.id), 0) for one in kept.uploads_awaited())
    if shutil.disk_usage(settings.receiving).free - awaited - size < settings.least_free_bytes:
        raise HTTPException(507, "The clinic's disk is full. Please tell the clinic.")


def arrived(settings: ServeSettings, upload: Upload) -> Arrived:
    """Return how far a recording has come in."""
    complete = upload.state != "receiving"
    offset = upload.size if complete else _size(settings.receiving / upload.id)
    return Arrived(id=upload.id, offset=offset, size=upload.size, state=upload.state, message=upload.message)


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except FileNotFoundError:
        return 0


async def append(request: Request, settings: ServeSettings, upload: Upload) -> int:
    """Append the request's body to a recording and return how much has arrived.

    Refuses a piece from another place than the end (409 with the true offset), one that comes while another is written (423), and
    one that goes beyond the announced size (413).
    """
    if upload.state != "receiving":
        raise HTTPException(409, "This recording has arrived already.", headers={OFFSET: str(upload.size)})
    path = settings.receiving / upload.id
    busy: set[str] = request.app.state.receiving
    if upload.id in busy:
        raise HTTPException(423, "Another piece of this recording is being written.")
    given = request.headers.get(OFFSET, "")
    busy.add(upload.id)
    try:
        have = _size(path)
        if given != str(have):
            raise HTTPException(409, "The piece does not follow what has arrived.", headers={OFFSET: str(have)})
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("ab", buffering=0) as file:
            try:
                async for piece in request.stream():
                    if have + len(piece) > upload.size:
                        raise HTTPException(413, "More came than was announced.")
                    _write_whole(file, piece)
                    have += len(piece)
            except ClientDisconnect:
                # what has arrived counts; the browser asks and goes on from there
                pass
            except OSError as error:
                raise HTTPException(507, f"The recording cannot be kept: {error.strerror}.") from error
            if have == upload.size:
                # of several GB this takes long, and the pages must go on
                await run_in_threadpool(os.fsync, file.fileno())
        return have
    finally:
        busy.discard(upload.id)


def _write_whole(file: io.FileIO, piece: bytes) -> None:
    """Write a piece; the system may take a part of it only, as where the disk fills up, and then says so at the next part."""
    left = memoryview(piece)
    while left:
        left = left[file.write(left) :]


def forget_abandoned(settings: ServeSettings, kept: ClinicStore) -> None:
    """Remove what came in only in part and was not gone on with for a week."""
    if not settings.receiving.is_dir():
        return
    since_s = time.time() - ABANDONED_DAYS * 86_400
    for path in settings.receiving.iterdir():
        try:
            upload = kept.upload(path.name)
        except UsageError:
            # its patient was deleted meanwhile
            path.unlink(missing_ok=True)
            continue
        if upload.state == "receiving" and path.stat().st_mtime < since_s:
            kept.set_upload(upload.id, state="refused", message="It was never sent whole.")
            path.unlink(missing_ok=True)
