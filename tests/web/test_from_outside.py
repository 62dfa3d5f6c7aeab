"""The pages as an outsider meets them: a server that really listens, and bytes that no browser would send."""

from __future__ import annotations

import re
import socket
import sqlite3
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

import pytest
import uvicorn

from vision_rom.cli.serve import options_of
from vision_rom.records import Patient, Visit
from vision_rom.records.database import FILE_NAME
from vision_rom.web import patience
from vision_rom.web.app import create_app
from vision_rom.web.settings import ServeSettings
from vision_rom.web.store import ClinicStore

WAIT_S = 0.6
HOST = b"Host: 127.0.0.1\r\n"


@dataclass(frozen=True)
class Served:
    """A server that listens."""

    folder: Path
    port: int
    cookie: bytes
    form_token: str

    def say(self, *parts: bytes, pause_s: float = 0.0, wait_s: float = 5.0) -> bytes:
        """Send bytes as they are and return all that comes back until the server closes or falls silent."""
        with socket.create_connection(("127.0.0.1", self.port), timeout=wait_s) as line:
            heard = b""
            try:
                for part in parts:
                    line.sendall(part)
                    time.sleep(pause_s)
                while got := line.recv(65536):
                    heard += got
            except (TimeoutError, ConnectionError):
                pass
            return heard

    def ask(
        self, path: str, *, method: str = "GET", more: bytes = b"", body: bytes = b"", signed: bool = True
    ) -> bytes:
        """Ask once, path as it is."""
        head = f"{method} {path} HTTP/1.1\r\n".encode("latin-1") + HOST + b"Connection: close\r\n"
        head += (
            b"Cookie: session=" + self.cookie + b"\r\nX-Form-Token: " + self.form_token.encode() + b"\r\n"
            if signed
            else b""
        )
        head += b"Content-Length: %d\r\n" % len(body) if body or method != "GET" else b""
        return self.say(head + more + b"\r\n" + body)


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    folder = tmp_path_factory.mktemp("outside") / "records"
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        port = one.getsockname()[1]
    settings = ServeSettings(folder, port=port)
    app = create_app(settings, work=False)
    with ClinicStore(folder, who="the user") as kept:
        patient = kept.add_patient(Patient("p-1"))
        kept.add_visit(Visit(patient.id, "2026-03-02"))
        cookie = kept.begin_session("the user", "clinician")
        session = kept.session(cookie)
        assert session is not None
    (folder.parent / "secret.txt").write_text("a secret beside the records", encoding="utf-8")
    patched = pytest.MonkeyPatch()
    patched.setattr(patience, "HEADERS_S", WAIT_S)
    patched.setattr(patience, "SILENCE_S", WAIT_S)
    server = uvicorn.Server(uvicorn.Config(app, **options_of(settings)))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.02)
    yield Served(folder, port, cookie.encode(), session.form_token)
    server.should_exit = True
    thread.join(timeout=20)
    patched.undo()


def status(answer: bytes) -> int:
    found = re.match(rb"HTTP/1\.1 (\d{3}) ", answer)
    return int(found.group(1)) if found else 0


@pytest.fixture(autouse=True)
def still_answers(served: Served) -> Iterator[None]:
    yield
    assert status(served.ask("/sign-in", signed=False)) == 200, "the server does not answer any more"


# --- what is no request -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "sent",
    [
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + bytes(200),
        b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
        b"GET /\r\n\r\n",
        b"\x00" * 5000 + b"\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nHost: elsewhere.example\r\n\r\n",
        b"GET /sign-in HTTP/1.1\r\n" + HOST + b"X-A: 1\r\n folded\rbare: 2\r\n\r\n",
        b"GET / HTTP/9.9\r\n" + HOST + b"\r\n",
        b"GET / HTTP/1.1\r\n" + HOST + b"Bad Name: 1\r\n\r\n",
        b"POST /sign-in HTTP/1.1\r\n" + HOST + b"Content-Length: 5\r\nContent-Length: 9\r\n\r\nabcde",
        b"POST /sign-in HTTP/1.1\r\n" + HOST + b"Content-Length: -5\r\n\r\nabcde",
        b"POST /sign-in HTTP/1.1\r\n" + HOST + b"Transfer-Encoding: chunked\r\n\r\nzz\r\n",
        b"POST /sign-in HTTP/1.1\r\n" + HOST + b"Transfer-Encoding: gzip, chunked\r\n\r\n0\r\n\r\n",
    ],
    ids=lambda sent: repr(sent[:24]),
)
def test_what_is_no_request_is_refused_and_tells_nothing(served: Served, sent: bytes) -> None:
    answer = served.say(sent, wait_s=0.5)
    assert status(answer) in (0, 400, 401, 403, 404, 421, 422, 500, 501)
    assert b"Traceback" not in answer
    assert b"uvicorn" not in answer.lower()


def test_two_lengths_do_not_smuggle_a_second_request_in(served: Served) -> None:
    second = b"GET /audit HTTP/1.1\r\n" + HOST + b"Cookie: session=" + served.cookie + b"\r\n\r\n"
    head = b"POST /sign-in HTTP/1.1\r\n" + HOST + b"Content-Length: %d\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n"
    answer = served.say(head % (5 + len(second)) + second, wait_s=0.5)
    assert answer.count(b"HTTP/1.1 200") == 0


@pytest.mark.parametrize(
    "head",
    [
        b"GET /" + b"a" * 100_000 + b" HTTP/1.1\r\n" + HOST + b"\r\n",
        b"GET /sign-in HTTP/1.1\r\n" + HOST + b"X-Long: " + b"x" * 100_000 + b"\r\n\r\n",
        b"GET /sign-in HTTP/1.1\r\n" + HOST + b"X-Again: 1\r\n" * 20_000 + b"\r\n",
        b"GET /sign-in HTTP/1.1\r\n" + HOST + b"Cookie: " + b"a=b; " * 10_000 + b"\r\n\r\n",
    ],
    ids=["line", "one header", "many headers", "cookie"],
)
def test_too_long_a_head_is_refused(served: Served, head: bytes) -> None:
    # the line may break while the rest is still sent: that is a refusal too
    assert status(served.say(head, wait_s=0.5)) in (0, 400, 414, 431)


def test_no_other_protocol_is_spoken(served: Served) -> None:
    upgrade = b"Upgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Version: 13\r\nSec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n"
    answer = served.say(b"GET /sign-in HTTP/1.1\r\n" + HOST + upgrade + b"\r\n", wait_s=0.5)
    assert status(answer) != 101
    answer = served.ask("/jobs", more=b"Accept: text/event-stream\r\n")
    assert b"text/event-stream" not in answer


# --- slow, and many -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "begun",
    [b"", b"G", b"GET /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\nX-A: "],
    ids=["nothing", "a letter", "half the headers"],
)
def test_a_head_that_does_not_end_is_given_up(served: Served, begun: bytes) -> None:
    started_s = time.monotonic()
    served.say(begun, *[b"x"] * 3, pause_s=0.3, wait_s=10)
    assert time.monotonic() - started_s < 5


def test_a_further_request_that_does_not_end_is_given_up(served: Served) -> None:
    whole = b"GET /static/style.css HTTP/1.1\r\n" + HOST + b"\r\n"
    started_s = time.monotonic()
    assert status(served.say(whole, b"GET /sign-in HT", pause_s=0.3, wait_s=10)) == 200
    assert time.monotonic() - started_s < 5


def test_a_body_that_does_not_come_is_given_up(served: Served) -> None:
    head = (
        b"POST /sign-in HTTP/1.1\r\n"
        + HOST
        + b"Content-Type: application/x-www-form-urlencoded\r\nContent-Length: 900\r\n\r\n"
    )
    started_s = time.monotonic()
    served.say(head + b"name=", wait_s=10)
    assert time.monotonic() - started_s < 5


def test_a_piece_that_stops_counts_as_far_as_it_came(served: Served) -> None:
    with ClinicStore(served.folder) as kept:
        upload = kept.add_upload(name="a.mp4", size=1000, visit_id=1)
    head = (
        f"PATCH /api/uploads/{upload.id} HTTP/1.1\r\nHost: 127.0.0.1\r\nCookie: session={served.cookie.decode()}\r\n"
        f"X-Form-Token: {served.form_token}\r\nUpload-Offset: 0\r\nContent-Length: 1000\r\n\r\n"
    ).encode()
    served.say(head + b"x" * 300, wait_s=10)
    assert (served.folder / "receiving" / upload.id).stat().st_size == 300
    rest = served.ask(f"/api/uploads/{upload.id}", method="PATCH", more=b"Upload-Offset: 300\r\n", body=b"x" * 10)
    assert b'"offset":310' in rest


def test_one_address_does_not_take_every_connection(served: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(patience, "MOST_FROM_ONE_ADDRESS", 5)
    monkeypatch.setattr(patience, "HEADERS_S", 30.0)
    lines = [socket.create_connection(("127.0.0.1", served.port), timeout=5) for _ in range(8)]
    try:
        time.sleep(0.3)
        closed = 0
        for line in lines:
            line.settimeout(0.2)
            try:
                closed += line.recv(1) == b""
            except TimeoutError:
                continue
            except ConnectionError:
                closed += 1
        assert closed == 3
    finally:
        for line in lines:
            line.close()
    time.sleep(0.2)


def test_a_stated_origin_of_the_request_is_not_believed(served: Served) -> None:
    codes = [
        status(served.ask(f"/home/guess-{number}", more=b"X-Forwarded-For: 10.1.1.%d\r\n" % number, signed=False))
        for number in range(22)
    ]
    assert codes[-1] == 429


# --- paths and headers --------------------------------------------------------------------------------------------

CLIMBS = ("../secret.txt", "..%2fsecret.txt", "%2e%2e/secret.txt", "%2e%2e%2fsecret.txt", "..%5csecret.txt", "%252e%252e%252fsecret.txt", "..;/secret.txt", "/etc/passwd", "%2fetc%2fpasswd", "....//secret.txt", "..%c0%afsecret.txt", "records.sqlite3", "../records.sqlite3", "%00")  # fmt: skip


@pytest.mark.parametrize(
    "before", ["/static/", "/clips/1/files/", "/visits/1/files/", "/api/uploads/", "/patients/", "/home/", "/"]
)
def test_no_path_leads_out(served: Served, before: str) -> None:
    for climb in CLIMBS:
        answer = served.ask(f"{before}{climb}")
        assert b"a secret beside" not in answer
        assert b"root:" not in answer
        assert b"SQLite format" not in answer
        # 410 and 429: a link for home that is none
        assert status(answer) in (303, 307, 400, 403, 404, 405, 410, 422, 429), climb


@pytest.mark.parametrize(
    "path",
    [
        "/patients/a%0d%0aX-Injected:%20yes",
        "/patients/a%0d%0aX-Injected:%20yes/export.json",
        "/enter/a%0d%0aX-Injected:%20yes",
        "/home/a%0d%0aX-Injected:%20yes?language=de%0d%0aX-Injected:%20yes",
        "//elsewhere.example/%2f..",
        "/static//elsewhere.example",
        "/patients//elsewhere.example/",
    ],
)
def test_no_line_of_an_answer_is_made_by_the_request(served: Served, path: str) -> None:
    head = served.ask(path, more=b"Accept: text/html\r\n").partition(b"\r\n\r\n")[0]
    assert b"x-injected" not in head.lower()
    where = re.search(rb"(?im)^location: (.*)$", head)
    assert where is None or not where.group(1).startswith((b"//", b"http://elsewhere", b"https://elsewhere"))


def test_a_code_with_every_sign_stays_one_name_in_one_header(served: Served) -> None:
    code = "a\"; filename=x.html; é <b>&'%0d%0aSet-Cookie: s=1"
    with ClinicStore(served.folder) as kept:
        kept.add_patient(Patient(code))
    head = served.ask(f"/patients/{quote(code, safe='')}/export.json").partition(b"\r\n\r\n")[0]
    assert status(head) == 200
    named = re.search(rb"(?im)^content-disposition: (.*)$", head)
    assert named is not None
    assert named.group(1).rstrip().decode() == f"attachment; filename*=UTF-8''{quote(code, safe='')}.json"
    assert not re.search(rb"(?im)^set-cookie:", head)


# --- what is over stays over --------------------------------------------------------------------------------------


def test_a_session_that_ran_out_opens_nothing(served: Served) -> None:
    with ClinicStore(served.folder) as kept:
        token = kept.begin_session("the user", "clinician")
    later = Served(served.folder, served.port, token.encode(), "")
    assert status(later.ask("/api/openapi.json")) == 200
    database = sqlite3.connect(served.folder / FILE_NAME)
    database.execute(
        "UPDATE session SET expires_at = '2026-01-01T00:00:00+00:00' WHERE token_sha256 <> ''  AND rowid = (SELECT max(rowid) FROM session)"
    )
    database.commit()
    database.close()
    assert status(later.ask("/api/openapi.json")) == 401


def test_a_database_that_another_program_holds_gives_a_sentence(
    served: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("vision_rom.records.database.BUSY_S", 0.1)
    holder = sqlite3.connect(served.folder / FILE_NAME, isolation_level=None)
    holder.execute("BEGIN EXCLUSIVE")
    try:
        more = b"Content-Type: application/x-www-form-urlencoded\r\n"
        answer = served.ask("/patients", method="POST", more=more, body=b"code=p-7")
    finally:
        holder.execute("ROLLBACK")
        holder.close()
    assert status(answer) in (500, 503)
    assert b"another program" in answer or b"Please try again" in answer
    assert str(served.folder).encode() not in answer
