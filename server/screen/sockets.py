"""The socket of a page: it asks from where to go on, and is sent all that follows."""

from __future__ import annotations

import asyncio
import contextlib

from fastapi import FastAPI, WebSocket, WebSocketDisconnect
from pydantic import ValidationError

from server.screen.access import ScreenSettings
from server.screen.hub import Client, Hub
from server.screen.messages import Resume
from server.screen.protocol import WRITES

FIRST_MESSAGE_S = 10.0
CLOSING_S = 2.0
CREW_SCREENS = 100  # beyond what all others may open
# close codes of RFC 6455
POLICY_VIOLATION, TRY_AGAIN_LATER = 1008, 1013


def add_socket(app: FastAPI, hub: Hub, settings: ScreenSettings) -> None:
    joining = asyncio.Lock()  # one a turn of the loop, and of what it is sent: all may come at once

    @app.websocket("/ws")
    async def socket(websocket: WebSocket) -> None:
        await websocket.accept()
        of_crew = settings.keys is not None and websocket.state.role == "crew"
        if hub.clients >= settings.max_clients + (CREW_SCREENS if of_crew else 0):
            await websocket.close(TRY_AGAIN_LATER, "Too many screens are open.")
            return
        try:
            async with asyncio.timeout(FIRST_MESSAGE_S):
                resume = Resume.model_validate_json(await websocket.receive_text())
        except (TimeoutError, ValidationError, KeyError):
            await websocket.close(POLICY_VIOLATION, "The first message must be a resume.")
            return
        except WebSocketDisconnect:
            return
        async with joining:
            await asyncio.sleep(0)
            client = hub.join(resume)
            client.write = websocket.scope.get("extensions", {}).get(WRITES)
        try:
            await _converse(websocket, client)
        finally:
            hub.leave(client)


async def _converse(websocket: WebSocket, client: Client) -> None:
    """Send until the browser leaves, says something more than it should, or is too slow."""

    async def send() -> None:
        while True:
            message = await client.messages.get()
            client.busy = True
            await websocket.send_text(message)
            client.busy = False

    async def listen() -> None:
        with contextlib.suppress(WebSocketDisconnect, KeyError):
            await websocket.receive_text()

    tasks = [asyncio.create_task(work()) for work in (send, listen, client.dropped.wait)]
    try:
        await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        slow = client.dropped.is_set()
        code, reason = (TRY_AGAIN_LATER, "Too slow.") if slow else (POLICY_VIOLATION, "Unexpected.")
        with contextlib.suppress(RuntimeError, WebSocketDisconnect, TimeoutError):
            async with asyncio.timeout(CLOSING_S):
                await websocket.close(code, reason)
