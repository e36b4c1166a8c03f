"""A websocket between two stations, as the talk needs it: whichever side opened it."""

from __future__ import annotations

import ssl
from collections.abc import Awaitable
from typing import Any, Protocol

from websockets.asyncio.client import connect
from websockets.exceptions import WebSocketException

OPEN_WITHIN_S = 15.0


class Line(Protocol):
    """A websocket, whichever side opened it. ConnectionError when it is closed."""

    async def send(self, data: str | bytes) -> None: ...

    async def receive(self) -> str | bytes: ...


def calling(address: str) -> connect:
    context = None
    if address.startswith("wss:"):  # the shared key proves who it is, not a certificate
        context = ssl.create_default_context()
        context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    return connect(
        address,
        ssl=context,
        compression=None,
        max_size=64_000,
        proxy=None,
        open_timeout=OPEN_WITHIN_S,
    )


class Called:
    """A websocket that we opened."""

    def __init__(self, websocket: Any) -> None:
        self._websocket = websocket

    async def send(self, data: str | bytes) -> None:
        await _as_connection(self._websocket.send(data))

    async def receive(self) -> str | bytes:
        return await _as_connection(self._websocket.recv())  # type: ignore[no-any-return]


async def _as_connection(work: Awaitable[Any]) -> Any:
    try:
        return await work
    except WebSocketException as error:
        raise ConnectionError(str(error)) from error


def reason_of(error: BaseException) -> str:
    return str(error) or type(error).__name__
