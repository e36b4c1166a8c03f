"""Two hundred screens of which twenty never read: those are dropped, and nobody else waits."""

from __future__ import annotations

import asyncio
import contextlib
import json
from functools import partial

from websockets.asyncio.client import ClientConnection, connect

from server.screen.access import ScreenSettings
from server.screen.app import create_app
from tests.screen.demo_feed import DemoFeed
from tests.screen.serving import HOST, mute, sent_beyond, serving, until
from tests.screen.test_socket import NEW

READERS, MUTE = 180, 20
UPDATES = 150
PATIENCE_S = 60.0


async def follow(socket: ClientConnection, last: asyncio.Future[int]) -> list[int]:
    """Sequences of the updates that a reader got, until the last that was sent."""
    got: list[int] = []
    async for text in socket:
        message = json.loads(text)
        if message["kind"] == "update":
            got.append(message["sequence"])
        if last.done() and message["sequence"] >= last.result():
            return got
    return got


async def test_two_hundred_screens_of_which_twenty_never_read() -> None:
    feed = DemoFeed(since_launch_s=3_000)
    settings = ScreenSettings(updates_per_s=100, beat_s=0.05)
    app = create_app(feed, settings=settings)
    hub = app.state.hub
    async with serving(app) as port, contextlib.AsyncExitStack() as stack:
        for _ in range(MUTE):
            await stack.enter_async_context(mute(port))
        address = f"ws://{HOST}:{port}/ws"
        sockets = []
        for _ in range(READERS):
            socket = await stack.enter_async_context(connect(address, max_size=None))
            await socket.send(NEW)
            sockets.append(socket)
        await until(lambda: hub.clients == READERS + MUTE)
        assert all(client.write is not None for client in hub._clients)
        last: asyncio.Future[int] = asyncio.get_running_loop().create_future()
        following = [asyncio.ensure_future(follow(socket, last)) for socket in sockets]
        for _ in range(UPDATES):
            before = hub.sequence
            feed.comment = "x" * 60_000 + str(before)
            feed.changed()
            await until(partial(sent_beyond, hub, before))
        last.set_result(hub.sequence)
        async with asyncio.timeout(PATIENCE_S):
            got = await asyncio.gather(*following)
        await until(lambda: hub.clients <= READERS)
    for sequences in got:
        assert sequences == list(range(sequences[0], hub.sequence + 1)), "nobody missed an update"
