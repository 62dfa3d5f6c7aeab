from __future__ import annotations

import asyncio
import json
import os
import resource
import shutil
import time
from collections.abc import AsyncIterator
from types import SimpleNamespace

import pytest

from vision_rom.web import receiving
from vision_rom.web.store import ClinicStore

CONTENT = bytes(range(256)) * 4


def _piece(browser, upload, offset: object, content: bytes):
    return browser.send("PATCH", f"/api/uploads/{upload.id}", content=content, headers={"upload-offset": str(offset)})


def _kept(clinic, upload) -> bytes:
    return (clinic.settings.receiving / upload.id).read_bytes()


async def _patched(
    app, browser, upload, offset: int | bytes, messages: AsyncIterator[dict[str, object]]
) -> tuple[int, dict]:
    """Send a piece whose arrival the test controls message by message."""
    answer: dict[str, object] = {"body": b""}

    async def send(message: dict[str, object]) -> None:
        if message["type"] == "http.response.start":
            answer["status"] = message["status"]
        else:
            answer["body"] += message.get("body", b"")

    headers = {
        "host": "127.0.0.1:8321",
        "cookie": f"session={browser.client.cookies['session']}",
        "x-form-token": browser.form_token,
    }
    offset = offset if isinstance(offset, bytes) else str(offset).encode()
    path = f"/api/uploads/{upload.id}"
    scope = {
        "type": "http", "http_version": "1.1", "method": "PATCH", "scheme": "http", "path": path, "raw_path": path.encode(),
        "query_string": b"", "root_path": "", "headers": [(a.encode(), b.encode()) for a, b in headers.items()]
        + [(b"upload-offset", offset)],
        "client": ("127.0.0.1", 5000), "server": ("127.0.0.1", 8321),
    }  # fmt: skip
    await app(scope, lambda: anext(messages), send)
    return int(answer["status"]), json.loads(answer["body"] or b"{}")


def _part(body: bytes, *, more: bool = True) -> dict[str, object]:
    return {"type": "http.request", "body": body, "more_body": more}


@pytest.fixture
def upload(clinic, visit):
    return clinic.announced(visit, size=len(CONTENT))


def test_pieces_of_any_length_come_to_the_same_file(clinic, clinician, upload) -> None:
    at = 0
    for length in (1, 300, 0, 7, len(CONTENT) - 308):
        answer = _piece(clinician, upload, at, CONTENT[at : at + length])
        at += length
        assert answer.status_code == 200
        assert answer.json()["offset"] == at
        assert answer.json()["state"] == ("received" if at == len(CONTENT) else "receiving")
    assert _kept(clinic, upload) == CONTENT


def test_the_last_piece_queues_the_measuring_once(clinic, clinician, upload) -> None:
    _piece(clinician, upload, 0, CONTENT)
    again = _piece(clinician, upload, len(CONTENT), b"")
    assert again.status_code == 409
    assert again.headers["upload-offset"] == str(len(CONTENT))
    with clinic.store() as kept:
        assert [(one.kind, one.upload_id) for one in kept.jobs()] == [("measure", upload.id)]


@pytest.mark.parametrize("offset", ["0", "99", "101", "-100", "", "abc", "1e2", "9" * 5000])
def test_a_piece_from_elsewhere_is_refused_with_the_true_offset(clinic, clinician, upload, offset: str) -> None:
    _piece(clinician, upload, 0, CONTENT[:100])
    answer = _piece(clinician, upload, offset, CONTENT[100:200])
    assert answer.status_code == 409
    assert answer.headers["upload-offset"] == "100"
    assert _kept(clinic, upload) == CONTENT[:100]


def test_an_offset_in_odd_digits_is_no_error_of_ours(clinic, clinician, upload) -> None:
    async def one() -> AsyncIterator[dict[str, object]]:
        yield _part(b"x", more=False)

    assert asyncio.run(_patched(clinic.app, clinician, upload, "\u00b2".encode("latin-1"), one()))[0] == 409


def test_more_than_was_announced_is_refused(clinic, clinician, upload) -> None:
    assert _piece(clinician, upload, 0, CONTENT + b"x").status_code == 413
    assert clinician.get(f"/api/uploads/{upload.id}").json()["offset"] <= len(CONTENT)
    assert _kept(clinic, upload) == CONTENT[: len(_kept(clinic, upload))]


@pytest.mark.parametrize(
    ("announced", "status"),
    [
        ({"size": 5_000_001}, 413),
        ({"size": 0}, 422),
        ({"size": -1}, 422),
        ({"size": 1 << 60}, 422),
        ({"name": ""}, 422),
        ({"name": "x" * 301}, 422),
        ({"consent": False}, 422),
        ({"movement": "somersault"}, 404),
        ({"movement": "x" * 61}, 422),
        ({"side": "up"}, 422),
        ({"path": "/etc/passwd"}, 422),
        ({"size": 5_000_000}, 201),
    ],
)
def test_what_may_be_announced(make_clinic, announced: dict[str, object], status: int) -> None:
    clinic = make_clinic(largest_recording_bytes=5_000_000)
    visit = clinic.visit_begun(clinic.patient_added())
    body = {"name": "raise.mp4", "size": 10, "consent": True} | announced
    answer = clinic.signed_in("Clara Clinic").post(f"/api/visits/{visit.id}/uploads", json=body)
    assert answer.status_code == status
    if status == 413:
        assert "at most" in answer.json()["detail"]


def test_nothing_is_announced_that_the_disk_cannot_hold(make_clinic) -> None:
    clinic = make_clinic(least_free_bytes=1 << 60)
    visit = clinic.visit_begun(clinic.patient_added())
    body = {"name": "raise.mp4", "size": 10, "consent": True}
    answer = clinic.signed_in("Clara Clinic").post(f"/api/visits/{visit.id}/uploads", json=body)
    assert answer.status_code == 507
    assert "disk is full" in answer.json()["detail"]


def test_recordings_that_come_in_share_the_room_of_the_disk(clinic, clinician, visit, monkeypatch) -> None:
    monkeypatch.setattr(receiving.shutil, "disk_usage", lambda _: SimpleNamespace(free=1000))
    body = {"name": "raise.mp4", "size": 600, "consent": True}
    answers = [clinician.post(f"/api/visits/{visit.id}/uploads", json=body).status_code for _ in range(2)]
    assert answers == [201, 507]


def test_a_disk_that_fills_up_in_the_middle_is_told_and_goes_on(clinic, clinician, visit) -> None:
    limit, content = 1 << 20, bytes(3 << 19)
    upload = clinic.announced(visit, size=len(content))
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    # the system writes as much of a piece as fits, as on a full disk
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, before[1]))
    try:
        answer = _piece(clinician, upload, 0, content)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert answer.status_code == 507
    told = clinician.get(f"/api/uploads/{upload.id}").json()
    assert (told["state"], told["offset"]) == ("receiving", limit)
    assert _piece(clinician, upload, limit, content[limit:]).json()["state"] == "received"
    assert _kept(clinic, upload) == content


def test_a_broken_line_goes_on_where_it_broke(clinic, clinician, upload) -> None:
    async def breaks() -> AsyncIterator[dict[str, object]]:
        yield _part(CONTENT[:400])
        yield {"type": "http.disconnect"}

    status, told = asyncio.run(_patched(clinic.app, clinician, upload, 0, breaks()))
    assert (status, told["offset"], told["state"]) == (200, 400, "receiving")
    assert clinician.get(f"/api/uploads/{upload.id}").json()["offset"] == 400
    assert _piece(clinician, upload, 400, CONTENT[400:]).json()["state"] == "received"
    assert _kept(clinic, upload) == CONTENT


def test_two_pieces_at_once_do_not_mix(clinic, clinician, upload) -> None:
    async def both() -> tuple[tuple[int, dict], tuple[int, dict]]:
        second_refused, first_began = asyncio.Event(), asyncio.Event()

        async def slow() -> AsyncIterator[dict[str, object]]:
            yield _part(CONTENT[:500])
            first_began.set()
            await second_refused.wait()
            yield _part(CONTENT[500:], more=False)

        async def quick() -> AsyncIterator[dict[str, object]]:
            yield _part(CONTENT, more=False)

        first = asyncio.create_task(_patched(clinic.app, clinician, upload, 0, slow()))
        await first_began.wait()
        second = await _patched(clinic.app, clinician, upload, 0, quick())
        second_refused.set()
        return await first, second

    first, second = asyncio.run(both())
    assert second[0] == 423
    assert (first[0], first[1]["state"]) == (200, "received")
    assert _kept(clinic, upload) == CONTENT


@pytest.mark.parametrize(
    "name", ["../../../etc/cron.d/x", "/etc/passwd", "..", "a\x00b.mp4", "C:\\x.mp4", "-rf", "\u202egpj.mp4"]
)
def test_a_name_is_never_a_path(clinic, clinician, visit, name: str) -> None:
    before = set(clinic.folder.parent.rglob("*"))
    told = clinician.post(f"/api/visits/{visit.id}/uploads", json={"name": name, "size": 4, "consent": True}).json()
    upload = SimpleNamespace(id=told["id"])
    assert _piece(clinician, upload, 0, b"data").status_code == 200
    new = set(clinic.folder.parent.rglob("*")) - before
    assert {one.name for one in new if one.is_file()} - {"records.sqlite-wal", "records.sqlite-shm"} == {upload.id}
    with clinic.store() as kept:
        assert kept.upload(upload.id).name.isprintable()


@pytest.mark.parametrize("name", ["..%2F..%2Frecords.sqlite", "none", "%00", ".."])
def test_an_upload_that_was_never_announced_is_not_there(clinician, name: str) -> None:
    for answer in (
        clinician.get(f"/api/uploads/{name}"),
        clinician.send("PATCH", f"/api/uploads/{name}", content=b"x"),
    ):
        assert answer.status_code == 404


def test_a_rest_of_a_broken_upload_is_told_from_the_file_itself(clinic, clinician, upload) -> None:
    _piece(clinician, upload, 0, CONTENT[:100])
    shutil.rmtree(clinic.settings.receiving)
    assert clinician.get(f"/api/uploads/{upload.id}").json()["offset"] == 0
    assert _piece(clinician, upload, 0, CONTENT).json()["state"] == "received"


def test_announcing_is_slowed_down(clinic, clinician, visit) -> None:
    body = {"name": "raise.mp4", "size": 10, "consent": True}
    answers = [clinician.post(f"/api/visits/{visit.id}/uploads", json=body).status_code for _ in range(121)]
    assert answers == [201] * 120 + [429]


def test_what_was_given_up_a_week_ago_is_removed(clinic, clinician, upload) -> None:
    assert _piece(clinician, upload, 0, CONTENT[:100]).status_code == 200
    path = clinic.settings.receiving / upload.id
    stray = clinic.settings.receiving / "nobody-announced-this"
    stray.write_bytes(b"x")
    with ClinicStore(clinic.settings.folder) as kept:
        receiving.forget_abandoned(clinic.settings, kept)
        assert path.is_file()
        assert not stray.exists()
        long_ago = time.time() - 8 * 86_400
        os.utime(path, (long_ago, long_ago))
        receiving.forget_abandoned(clinic.settings, kept)
        assert not path.exists()
        assert kept.upload(upload.id).state == "refused"
