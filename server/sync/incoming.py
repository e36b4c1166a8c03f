"""Where other stations come in: the websocket /peer of the station's own web address."""

from __future__ import annotations

import contextlib

from fastapi import FastAPI, WebSocket, WebSocketDisconnect

from server.sync.peers import Peers


def add_peer_route(app: FastAPI, peers: Peers) -> None:
    """Let stations that know a shared key in; nobody else gets past the first message."""

    @app.websocket("/peer")
    async def peer(websocket: WebSocket) -> None:
        await websocket.accept()
        try:
            await peers.accept(_Inbound(websocket))
        finally:
            with contextlib.suppress(RuntimeError, WebSocketDisconnect):  # it has gone already
                await websocket.close()


class _Inbound:
    """A websocket that another station opened."""

    def __init__(self, websocket: WebSocket) -> None:
        self._websocket = websocket

    async def send(self, data: str | bytes) -> None:
        try:
            if isinstance(data, str):
                await self._websocket.send_text(data)
            else:
                await self._websocket.send_bytes(data)
        except (RuntimeError, WebSocketDisconnect) as error:
            raise ConnectionError("the other side has gone") from error

    async def receive(self) -> str | bytes:
        try:
            message = await self._websocket.receive()
        except RuntimeError as error:
            raise ConnectionError("the other side has gone") from error
        if message["type"] != "websocket.receive":
            raise ConnectionError("the other side has gone")
        text, data = message.get("text"), message.get("bytes")
        return text if text is not None else data or b""
