"""A connection that cannot be held for nothing: a head of bounded size, requests whole within a time.

uvicorn bounds neither with httptools, and counts connections without asking whose they are: a stranger
with three thousand silent ones would shut the crew out.
"""

from __future__ import annotations

import asyncio
from typing import Any, cast

from uvicorn._types import ASGISendEvent
from uvicorn.protocols.http.httptools_impl import HttpToolsProtocol
from uvicorn.protocols.websockets.websockets_sansio_impl import WebSocketsSansIOProtocol
from websockets.http11 import Request

from server.flight.mission_state import ProblemKind
from server.screen.cut import Cuts
from server.screen.keys import is_loopback
from server.screen.limits import neighbourhood

MAX_HEAD_BYTES = 65_536
HEAD_WITHIN_S = 20.0
WHOLE_WITHIN_S = 120.0  # a phone's positions of an hour, over a poor link
WRITES = "leeward.writes"  # in a socket's scope: `write_frame` of its connection
CLOSED_WITHIN_S = 10.0  # all that was sent before has gone by then, or never will
SPARE = 100  # places that are kept free: what was cut is counted for a moment longer
FROM_ONE_ADDRESS = 1_000  # a third of all; a proxy on this machine brings everybody's

_TOO_LARGE = (
    b"HTTP/1.1 431 Request Header Fields Too Large\r\n"
    b"content-length: 0\r\nconnection: close\r\n\r\n"
)


class BoundedProtocol(HttpToolsProtocol):
    """HTTP/1.1 of uvicorn, bounded."""

    def __init__(self, *given: Any, **named: Any) -> None:
        super().__init__(*given, **named)
        self._unparsed = 0  # bytes that have come to nothing yet
        self._in_head = True
        self._timer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        # those that have said nothing yet, the longest silent first: shared by all connections of the server
        self._silent: dict[BoundedProtocol, None] = vars(self.server_state).setdefault("silent", {})
        if self._is_one_too_many():
            self._cut(self)
        else:
            self._make_room()
            self._silent[self] = None
            self._expect_within(HEAD_WITHIN_S)

    def connection_lost(self, exc: Exception | None) -> None:
        self._expect_nothing()
        self._silent.pop(self, None)
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        if self._in_head and self._timer is None:
            self._expect_within(HEAD_WITHIN_S)
        self._unparsed += len(data)
        super().data_received(data)
        if self._unparsed > MAX_HEAD_BYTES and not self.transport.is_closing():
            _cuts(self).note(ProblemKind.REQUESTS_CUT)
            self.transport.write(_TOO_LARGE)
            self.transport.close()

    def on_headers_complete(self) -> None:
        self._in_head, self._unparsed = False, 0
        self._silent.pop(self, None)
        self._expect_within(WHOLE_WITHIN_S)
        super().on_headers_complete()

    def on_body(self, body: bytes) -> None:
        self._unparsed = 0
        super().on_body(body)

    def on_message_complete(self) -> None:
        self._in_head, self._unparsed = True, 0
        self._expect_nothing()
        super().on_message_complete()

    def handle_websocket_upgrade(self) -> None:
        self._expect_nothing()
        super().handle_websocket_upgrade()

    def _make_room(self) -> None:
        """Who comes when all places are nearly taken takes that of the longest silent one."""
        limit = self.limit_concurrency
        if limit is None or len(self.connections) <= max(limit - SPARE, limit // 2):
            return
        if self._silent:
            longest = next(iter(self._silent))
            del self._silent[longest]
            self._cut(longest)

    def _is_one_too_many(self) -> bool:
        if self.limit_concurrency is not None and len(self.connections) > self.limit_concurrency:
            return True
        if len(self.connections) <= FROM_ONE_ADDRESS or self.client is None:
            return False
        if is_loopback(self.client[0]):
            return False
        whose = neighbourhood(self.client[0])
        others = (getattr(other, "client", None) for other in self.connections)
        same = sum(1 for other in others if other and neighbourhood(other[0]) == whose)
        return same > FROM_ONE_ADDRESS

    def _expect_within(self, seconds: float) -> None:
        self._expect_nothing()
        self._timer = self.loop.call_later(seconds, self._give_up)

    def _expect_nothing(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _give_up(self) -> None:
        self._timer = None
        if self in self._silent and not self._unparsed:
            self.transport.abort()  # a browser's spare one, as a rule
        else:
            self._cut(self)

    def _cut(self, which: BoundedProtocol) -> None:
        _cuts(self).note(ProblemKind.REQUESTS_CUT)
        which.transport.abort()


class PatientSocket(WebSocketsSansIOProtocol):
    """Reads nothing before it is let in: uvicorn takes what comes earlier for an error of its own. Who
    answers no ping, or is too slow, is cut: asyncio's close waits until all is sent, for ever where nobody
    reads.

    Of uvicorn's inside, hence its release in pyproject: `handle_connect`, `send`, `handshake_complete`,
    `keepalive_timeout`, `scope`, `writable`, `close_sent`.
    """

    def handle_connect(self, event: Request) -> None:
        super().handle_connect(event)
        scope = vars(self).get("scope")  # none where the handshake was wrong
        if scope is not None:
            scope["extensions"][WRITES] = self.write_frame
        self.transport.pause_reading()

    def write_frame(self, frame: bytes) -> bool:
        """Send a whole frame at once; False, and nothing is sent, where it has to wait or may not be."""
        if not (self.handshake_complete and self.writable.is_set()):
            return False
        if self.close_sent or self.transport.is_closing():
            return False
        self.transport.write(frame)
        return True

    async def send(self, message: ASGISendEvent) -> None:
        waits = not self.handshake_complete
        if message["type"] == "websocket.close":
            self.loop.call_later(CLOSED_WITHIN_S, self.transport.abort)
        await super().send(message)
        if waits and self.handshake_complete:
            self.transport.resume_reading()

    def keepalive_timeout(self) -> None:
        if not (self.close_sent or self.transport.is_closing()):
            _cuts(self).note(ProblemKind.READERS_CUT)
        super().keepalive_timeout()
        self.transport.abort()


def _cuts(connection: BoundedProtocol | PatientSocket) -> Cuts:
    """Of the application that it belongs to."""
    return cast(Cuts, connection.config.app.state.cuts)  # type: ignore[union-attr]
