"""Who may ask what: host names, origins, body sizes, and the headers that keep a page to itself.

A page of another site must not read or steer this one: a browser names its origin, which must be
ours, and the host name asked for must be one that cannot be pointed here by a stranger's DNS.
"""

from __future__ import annotations

import ipaddress
import re
import socket
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

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
    max_clients: int = 100
    updates_per_s: float = 5.0
    beat_s: float = 1.0


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


def host_of(netloc: str) -> str:
    """The name or address in a Host header, without port and brackets, in lower case."""
    try:
        return (urlsplit(f"//{netloc}").hostname or "").rstrip(".")
    except ValueError:
        return ""


class Access:
    """ASGI middleware: checks host and origin before anything else runs, adds the headers after."""

    def __init__(self, app: ASGIApp, hosts: Iterable[str] = ()) -> None:
        self._app = app
        name = socket.gethostname().lower()
        short = name.split(".")[0]
        self._hosts = {"localhost", name, f"{short}.local", *(host.lower() for host in hosts)}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        refusal = self._refusal(scope)
        if scope["type"] == "websocket":
            if refusal is None:
                await self._app(scope, receive, send)
            else:
                await receive()  # websocket.connect
                await send({"type": "websocket.close", "code": 1008, "reason": refusal})
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for key, value in HEADERS.items():
                    headers.setdefault(key, value)
                headers.setdefault("Content-Security-Policy", CLOSED_POLICY)
            await send(message)

        if refusal is None:
            await self._app(scope, receive, send_with_headers)
        else:
            response = PlainTextResponse(refusal, status_code=403)
            await response(scope, receive, send_with_headers)

    def _refusal(self, scope: Any) -> str | None:
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        if not self._is_ours(host_of(host)):
            return (
                "This station does not go by that name. Add it to the settings, or use its address."
            )
        origin = headers.get("origin")
        reads = scope["type"] == "http" and scope["method"] in ("GET", "HEAD", "OPTIONS")
        if not reads and origin is not None and not _same_origin(origin, host):
            return "Another page may not do that here."
        return None

    def _is_ours(self, host: str) -> bool:
        if host in self._hosts:
            return True
        try:
            ipaddress.ip_address(host)
        except ValueError:
            return False
        return True  # an address cannot be re-pointed by a name server


def _same_origin(origin: str, host: str) -> bool:
    match = re.fullmatch(r"https?://([^/?#]+)", origin)
    return match is not None and match[1].lower() == host.lower()
