"""Who may do what, and what every answer says to the browser."""

from __future__ import annotations

import hmac
from collections.abc import Callable
from typing import Annotated
from urllib.parse import urlsplit

import argon2
from fastapi import Depends, HTTPException, Request
from limits import RateLimitItem, parse
from limits.storage import MemoryStorage
from limits.strategies import MovingWindowRateLimiter
from starlette.datastructures import MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from vision_rom.web.model import Role, Session
from vision_rom.web.patience import ImpatientReceive, TooSlow, impatient_send
from vision_rom.web.settings import ServeSettings
from vision_rom.web.store import ClinicStore

SHORTEST_PASSWORD = 10
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; media-src 'self' blob:; "
    "connect-src 'self'; font-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
REPORT_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'; sandbox"
"""Of a visit's report, which carries its own style and pictures and runs nothing"""
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    # not "no-referrer": browsers then also hide where a form comes from, which is checked
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(self), microphone=(self), geolocation=()",
    "cache-control": "no-store",
}
SIGN_IN_RATE = parse("8/minute")
LINK_RATE = parse("240/minute")
UNKNOWN_LINK_RATE = parse("20/minute")
UPLOAD_RATE = parse("120/minute")
LONGEST_HEADERS_BYTES = 32_000
FORM_BYTES = 256_000
"""The largest body of anything but a recording's pieces"""

_hasher = argon2.PasswordHasher()
_NOBODY = _hasher.hash("no account has this name")
"""Checked where a name is unknown, so that names cannot be told by the time that an answer takes"""


def hashed(password: str) -> str:
    """Return the argon2 hash of a password."""
    return _hasher.hash(password)


def password_fits(stored: str | None, password: str) -> bool:
    """Tell whether a password is the one whose hash was stored, in the same time whether there is one or not."""
    try:
        _hasher.verify(stored or _NOBODY, password)
    except argon2.exceptions.VerificationError:
        return False
    return stored is not None


class Rates:
    """How often somebody may try something; counted in memory, from the server's start."""

    def __init__(self) -> None:
        self._limiter = MovingWindowRateLimiter(MemoryStorage())

    def spend(self, rate: RateLimitItem, *who: str) -> None:
        """Count one try; refuses with status 429 where there were too many."""
        if not self._limiter.hit(rate, *who):
            raise HTTPException(429, "Too many tries. Please wait a minute and try again.")

    def left(self, rate: RateLimitItem, *who: str) -> bool:
        """Tell whether a try is left, without counting one."""
        return self._limiter.test(rate, *who)


def settings_of(request: Request) -> ServeSettings:
    """Return the server's settings."""
    found: ServeSettings = request.app.state.settings
    return found


def rates_of(request: Request) -> Rates:
    """Return the server's rate limits."""
    found: Rates = request.app.state.rates
    return found


def opened(request: Request, who: str = "nobody") -> ClinicStore:
    """Open the records for one request, in the thread that answers it."""
    return ClinicStore(settings_of(request).folder, who=who)


def cookie_name(settings: ServeSettings) -> str:
    """Return the cookie's name; over TLS one that browsers bind to this very host."""
    return "__Host-session" if settings.secure else "session"


def address_of(request: Request) -> str:
    """Return where a request comes from, for counting."""
    return request.client.host if request.client else "nowhere"


def somebody(request: Request) -> Session | None:
    """Return who is signed in; None where nobody."""
    token = request.cookies.get(cookie_name(settings_of(request)))
    if not token:
        return None
    with opened(request) as kept:
        return kept.session(token)


def signed_in(request: Request) -> Session:
    """Return who is signed in; sends the others to sign in (pages) or refuses (data)."""
    session = somebody(request)
    if session is not None:
        return session
    if request.method == "GET" and "text/html" in request.headers.get("accept", ""):
        raise HTTPException(303, headers={"location": "/sign-in"})
    raise HTTPException(401, "Please sign in.")


Signed = Annotated[Session, Depends(signed_in)]


def with_role(role: Role) -> Callable[[Session], Session]:
    """Return a dependency that lets only one role pass."""

    def check(session: Signed) -> Session:
        if session.role != role:
            raise HTTPException(403, f"Only a {role} may do this.")
        return session

    return check


Clinician = Annotated[Session, Depends(with_role("clinician"))]


async def from_our_page(request: Request) -> None:
    """Refuse a change that does not come from one of our own pages (dependency of every change by somebody signed in)."""
    same_origin(request)
    session = somebody(request)
    if session is None:
        raise HTTPException(401, "Please sign in.")
    given = request.headers.get("x-form-token", "")
    kind = request.headers.get("content-type", "").partition(";")[0].strip()
    if not given and kind in ("application/x-www-form-urlencoded", "multipart/form-data"):
        form = await request.form()
        given = str(form.get("form_token", ""))
    if not hmac.compare_digest(given.encode(), session.form_token.encode()):
        raise HTTPException(403, "This page is too old. Load it again and repeat.")


Changes = Depends(from_our_page)


def same_origin(request: Request) -> None:
    """Refuse a change that a page of another site sends."""
    origin = request.headers.get("origin")
    # a proxy may ask under another name than the browser did; another port is another site
    ours = {request.headers.get("host", "").lower(), _place_of(settings_of(request).base_url)}
    if origin is not None and _place_of(origin) not in ours - {""}:
        raise HTTPException(403, "This came from a page of another site.")


def _place_of(url: str) -> str:
    try:
        return urlsplit(url).netloc.lower()
    except ValueError:
        return ""


class Gate:
    """Around the whole application: names of the server, sizes, and the headers of every answer."""

    def __init__(self, app: ASGIApp, settings: ServeSettings) -> None:
        self._app, self._settings = app, settings

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or refuse it."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = {name.lower(): value for name, value in scope["headers"]}
        refusal = self._refusal(scope, headers)
        begun = False
        body = ImpatientReceive(receive)

        async def sending(message: Message) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                answer = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    answer.setdefault(name, value)
                if body.gave_up:
                    answer["connection"] = "close"
                if self._settings.secure:
                    answer["strict-transport-security"] = "max-age=31536000"
            await send(message)

        if refusal is not None:
            await refusal(scope, receive, sending)
            return
        try:
            await self._app(scope, self._limited(scope, body), impatient_send(sending))
        except TooSlow:
            # the server closes a connection whose answer did not come to an end
            return
        except Exception:
            # the framework's own answer to an error of ours would go out around this gate
            if not begun:
                await PlainTextResponse("Something went wrong here.", 500)(scope, receive, sending)
            raise

    def _refusal(self, scope: Scope, headers: dict[bytes, bytes]) -> PlainTextResponse | None:
        # a name that is not ours was pointed at this machine: its pages must not read ours
        if _hostname(headers.get(b"host", b"").decode("latin-1")) not in self._settings.hosts:
            return PlainTextResponse("This server has another name.", 421)
        asked = len(scope.get("raw_path") or b"") + len(scope["query_string"])
        if asked + sum(len(name) + len(value) for name, value in scope["headers"]) > LONGEST_HEADERS_BYTES:
            return PlainTextResponse("The request's headers are too long.", 431)
        if scope["path"].startswith("//") or "\x00" in scope["path"]:
            return PlainTextResponse("There is no such page.", 404)
        if b"content-length" in headers and b"transfer-encoding" in headers:
            # a proxy may go by the other of the two and take what follows for somebody else's request
            return PlainTextResponse("The request states its length twice.", 400, {"connection": "close"})
        length = headers.get(b"content-length", b"0")
        if not _is_piece(scope) and (not length.isdigit() or len(length) > 15 or int(length) > FORM_BYTES):
            return PlainTextResponse("That is too much.", 413)
        return None

    def _limited(self, scope: Scope, receive: Receive) -> Receive:
        """Count what comes in, for a body need not say its length."""
        if _is_piece(scope):
            return receive
        seen = 0

        async def counted() -> Message:
            nonlocal seen
            message = await receive()
            seen += len(message.get("body", b""))
            if seen > FORM_BYTES:
                raise HTTPException(413, "That is too much.")
            return message

        return counted


def _hostname(host: str) -> str:
    try:
        return urlsplit(f"//{host}").hostname or ""
    except ValueError:
        return ""


def _is_piece(scope: Scope) -> bool:
    return bool(scope["method"] == "PATCH")
