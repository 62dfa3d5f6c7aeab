"""How long the server waits for who sends or reads slowly, and how much of it one address may take.

The server's library waits for ever for the rest of a request; some hundred connections that send a byte now and then would take it
all, and no patient could send a recording.
"""

from __future__ import annotations

import asyncio
import time
from typing import Any

from starlette.types import Message, Receive, Send
from uvicorn.protocols.http.h11_impl import H11Protocol

HEADERS_S = 20.0
"""From the connection, or the first byte of a further request, to the end of its headers"""
SILENCE_S = 60.0
"""Without a byte of a body, or without a byte that is read; a phone on a bad line comes back after less"""
LEAST_BYTES_PER_S = 500
"""Of a body on average after the first minute"""
MOST_CONNECTIONS = 400
MOST_FROM_ONE_ADDRESS = 80
"""Behind a proxy all come from its own address, and the proxy has to count"""


class TooSlow(Exception):
    """Somebody reads an answer so slowly that it is given up."""


class PatientProtocol(H11Protocol):
    """HTTP/1.1 that closes a connection whose headers do not come to an end."""

    _headers_end: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to count; one address gets only so many connections."""
        super().connection_made(transport)
        if self.client is not None and not self.config.proxy_headers:
            others: list[Any] = [getattr(one, "client", None) for one in self.connections]
            same = sum(one is not None and one[0] == self.client[0] for one in others)
            if same > MOST_FROM_ONE_ADDRESS:
                transport.abort()
                return
        self._watch()

    def data_received(self, data: bytes) -> None:
        """Take what came in."""
        super().data_received(data)
        self._watch()

    def on_response_complete(self) -> None:
        """Go on to what came in meanwhile."""
        super().on_response_complete()
        self._watch()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget the connection."""
        self._stop_watching()
        super().connection_lost(exc)

    def _watch(self) -> None:
        cycle: Any = self.cycle
        waiting = cycle is None or cycle.response_complete
        if not waiting:
            self._stop_watching()
        elif self._headers_end is None:
            self._headers_end = self.loop.call_later(HEADERS_S, self.transport.abort)

    def _stop_watching(self) -> None:
        if self._headers_end is not None:
            self._headers_end.cancel()
            self._headers_end = None


class ImpatientReceive:
    """A request's ``receive`` for which a body that comes too slowly is a line that broke."""

    def __init__(self, receive: Receive) -> None:
        self._receive = receive
        self._began_s = time.monotonic()
        self._seen = 0
        self._complete = False
        self.gave_up = False
        """The rest of the body is not waited for: the connection cannot be used again"""

    async def __call__(self) -> Message:
        """Wait for the next part of the body, and after its end for the other side to leave."""
        if self._complete:
            return await self._receive()
        late_s = self._began_s + SILENCE_S + self._seen / LEAST_BYTES_PER_S - time.monotonic()
        try:
            message = await asyncio.wait_for(self._receive(), min(SILENCE_S, max(late_s, 0.0)))
        except TimeoutError:
            self._complete = self.gave_up = True
            return {"type": "http.disconnect"}
        self._seen += len(message.get("body", b""))
        self._complete = not message.get("more_body", False)
        return message


def impatient_send(send: Send) -> Send:
    """Return ``send`` that gives up where the other side reads nothing for a minute."""

    async def sent(message: Message) -> None:
        try:
            await asyncio.wait_for(send(message), SILENCE_S)
        except TimeoutError:
            raise TooSlow from None

    return sent
