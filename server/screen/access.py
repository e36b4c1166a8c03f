"""Who may ask what: host names, origins, keys, how often, and the headers that keep a page to itself.

A page of another site must not read or steer this one: a browser names its origin, which must be
ours, and the host name asked for must be one that cannot be pointed here by a stranger's DNS. Whoever
does not ask from this very machine needs a key.
"""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import re
import socket
from collections.abc import Callable
from dataclasses import dataclass

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from server.screen.assets import page
from server.screen.keys import Keys, Role, host_of, is_this_machine, role_in
from server.screen.limits import ASKING, OPENING, WRONG_KEYS, Limits, neighbourhood
from server.screen.local_process import LocalProcesses
from server.screen.socket_diag import End

HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",  # a beacon's address is its secret
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "geolocation=(self), camera=(), microphone=()",
}
# whatever a page does not loosen for itself
CLOSED_POLICY = "default-src 'none'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'"


@dataclass(frozen=True)
class ScreenSettings:
    """`hosts`: further names that people may type; addresses and this machine's name always may."""

    hosts: tuple[str, ...] = ()
    max_beacon_bytes: int = 1_000_000
    max_command_bytes: int = 4_096
    max_clients: int = 1_500
    keys: Keys | None = None  # None: whoever reaches this station may do everything
    beacons: tuple[tuple[str, str], ...] = ()  # names and tokens of the phones, for their links
    guarded: bool = False  # it listens to other machines: a key even from this one
    # whether the program at the other end asks for itself alone, by its end and ours; None: asked of Linux
    local: Callable[[End, End], bool] | None = None
    updates_per_s: float = 5.0
    beat_s: float = 1.0


# without a key: what says nothing of the flight, and what has secrets of its own
_OPEN = ("/web/", "/lib/", "/beacon/", "/api/beacon/", "/api/json/", "/watch/")
_OPEN_EXACTLY = {
    "/favicon.ico",
    "/api/enter",
    "/healthz",
    "/peer",
    "/service-worker.js",
    "/manifest.webmanifest",
}
_PAGES = {
    "/",
    "/walk",
    "/show",
    "/links",
    "/debrief",
}  # a reader without a key is asked for it there
_FOR_CREW = {"/links", "/api/links", "/debrief"}  # beside everything that changes something


class TooLarge(Exception):
    """A body above its limit."""


async def read_body(request: Request, limit_bytes: int) -> bytes:
    """The whole body, read no further than the limit. Raises TooLarge."""
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > limit_bytes:
            raise TooLarge
    return bytes(body)


class Access:
    """ASGI middleware: who may, before anything else runs; the headers, after.

    The role that was found stands in `scope["state"]["role"]`.
    """

    def __init__(self, app: ASGIApp, settings: ScreenSettings, limits: Limits) -> None:
        self._app, self._limits = app, limits
        self._keys, self._guarded = settings.keys, settings.guarded
        self._local = settings.local or LocalProcesses().speaks_for_itself
        self._opening = asyncio.Lock()  # one a turn of the loop: all pages may come back at once
        name = socket.gethostname().lower()
        short = name.split(".")[0]
        ours = (host.lower() for host in settings.hosts)
        self._hosts = {"localhost", name, f"{short}.local", *ours}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        if scope["type"] == "websocket":
            async with self._opening:
                await asyncio.sleep(0)
                refusal = self._refusal(scope)
            if refusal is None:
                await self._app(scope, receive, send)
            else:
                await receive()  # websocket.connect
                reason = bytes(refusal.body)[:120].decode("utf-8", "ignore")
                await send({"type": "websocket.close", "code": 1008, "reason": reason})
            return
        refusal = self._refusal(scope)

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for key, value in HEADERS.items():
                    headers.setdefault(key, value)
                headers.setdefault("Content-Security-Policy", CLOSED_POLICY)
            await send(message)

        with contextlib.suppress(ClientDisconnect):  # gone in the middle of its body
            await (refusal or self._app)(scope, receive, send_with_headers)

    def _refusal(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        path = scope["path"]
        if not self._is_ours(host_of(host)) and path != "/peer":  # which has keys of its own
            return PlainTextResponse(
                "This station does not go by that name. Add it to hosts in the plan's [access], "
                "or use its address.",
                403,
            )
        origin = headers.get("origin")
        reads = scope["type"] == "http" and scope["method"] in ("GET", "HEAD", "OPTIONS")
        if not reads and origin is not None and not _same_origin(origin, host):
            return PlainTextResponse("Another page may not do that here.", 403)
        if self._keys is None or (not self._guarded and self._asks_for_itself(scope)):
            scope.setdefault("state", {})["role"] = "crew"
            return None
        role = role_in(scope, self._keys)
        scope.setdefault("state", {})["role"] = role
        return self._too_often(scope, role) or self._without_key(scope, role, reads)

    def _asks_for_itself(self, scope: Scope) -> bool:
        """From this machine, and no proxy that might speak for somebody else."""
        client, server = scope.get("client"), scope.get("server")
        if not is_this_machine(scope) or client is None or server is None:
            return False
        return self._local((str(client[0]), int(client[1])), (str(server[0]), int(server[1])))

    def _too_often(self, scope: Scope, role: Role | None) -> Response | None:
        """The crew has places of its own, whoever else asks from the same address.

        And whoever has been let in suffers from nobody's guesses: a street may share an address.
        """
        who = asker(scope)
        wait_s = 0
        if scope["path"] == "/api/enter" or "authorization" in Headers(scope=scope):
            wait_s = self._limits.exhausted(WRONG_KEYS, who)
        rate = OPENING if scope["type"] == "websocket" else ASKING
        wait_s = wait_s or self._limits.wait_s(rate, f"crew {who}" if role == "crew" else who)
        return None if wait_s == 0 else too_often(wait_s)

    def _without_key(self, scope: Scope, role: Role | None, reads: bool) -> Response | None:
        path = scope["path"]
        if path in _OPEN_EXACTLY or path.startswith(_OPEN):
            return None
        if role is None:
            if "authorization" in Headers(scope=scope):
                self._limits.wait_s(WRONG_KEYS, asker(scope))
            if path in _PAGES and reads:
                asks = page("enter.html", Request(scope))
                asks.status_code = 401 if asks.status_code == 200 else asks.status_code
                return asks
            return _refused(401, "A key is needed: open the link that the crew gave you.")
        changes = scope["type"] == "http" and not reads
        if role != "crew" and (changes or path in _FOR_CREW or path.startswith("/debrief/")):
            return _refused(403, "This link lets you watch. Ask the crew for theirs.")
        return None

    def _is_ours(self, host: str) -> bool:
        if host in self._hosts:
            return True
        try:
            ipaddress.ip_address(host)
        except ValueError:
            return False
        return True  # an address cannot be re-pointed by a name server


def asker(scope: Scope) -> str:
    """The address that limits count by."""
    return neighbourhood((scope.get("client") or ("unknown",))[0])


def too_often(wait_s: int) -> Response:
    response = _refused(429, f"Too often. Ask again in {wait_s} s.")
    response.headers["Retry-After"] = str(wait_s)
    return response


def _refused(status: int, detail: str) -> Response:
    headers = {"WWW-Authenticate": "Bearer"} if status == 401 else None
    return JSONResponse({"detail": detail}, status, headers)


def _same_origin(origin: str, host: str) -> bool:
    match = re.fullmatch(r"https?://([^/?#]+)", origin)
    return match is not None and match[1].lower() == host.lower()
