"""The socket over a real wire."""

import asyncio
import contextlib
import json
from typing import Any

import pytest
from websockets.asyncio.client import connect
from websockets.exceptions import ConnectionClosed, InvalidStatus

from server.screen.access import ScreenSettings
from server.screen.app import create_app
from server.screen.hub import Client
from server.screen.keys import Keys
from server.screen.messages import Resume
from tests.screen.demo_feed import DemoFeed
from tests.screen.serving import HOST, mute, serving, until

NEW = json.dumps({"kind": "resume", "session": None, "sequence": None})
FAST = ScreenSettings(updates_per_s=200, beat_s=0.05)
PATIENCE_S = 30.0


async def next_of(socket: Any, kind: str) -> Any:
    async with asyncio.timeout(PATIENCE_S):
        while True:
            message = json.loads(await socket.recv())
            if message["kind"] == kind:
                return message


async def test_snapshot_update_beat_and_resume() -> None:
    feed = DemoFeed(since_launch_s=3_000)
    async with serving(create_app(feed, settings=FAST)) as port:
        address = f"ws://{HOST}:{port}/ws"
        async with connect(address) as socket:
            await socket.send(NEW)
            snapshot = await next_of(socket, "snapshot")
            feed.go(3_030)
            update = await next_of(socket, "update")
            assert update["sequence"] == snapshot["sequence"] + 1
            beat = await next_of(socket, "beat")
            assert beat["sequence"] == update["sequence"]
        feed.go(3_060)
        async with connect(address) as socket:
            resume = {"kind": "resume", "session": update["session"], "sequence": 1}
            await socket.send(json.dumps(resume))
            async with asyncio.timeout(PATIENCE_S):
                missed = json.loads(await socket.recv())
            assert (missed["kind"], missed["sequence"]) == ("update", 2)
            assert missed["state"] == update["state"]


@pytest.mark.parametrize("first", ["", "{", '{"kind":"resume","more":1}', '"x"', b"\x00\x01"])
async def test_a_first_message_that_makes_no_sense(first: str | bytes) -> None:
    async with serving(create_app(DemoFeed())) as port, connect(f"ws://{HOST}:{port}/ws") as socket:
        await socket.send(first)
        with pytest.raises(ConnectionClosed) as closed:
            async with asyncio.timeout(PATIENCE_S):
                await socket.recv()
        assert closed.value.rcvd is not None
        assert closed.value.rcvd.code == 1008


async def test_a_browser_that_talks_on_is_let_go() -> None:
    async with serving(create_app(DemoFeed())) as port, connect(f"ws://{HOST}:{port}/ws") as socket:
        await socket.send(NEW)
        await next_of(socket, "snapshot")
        await socket.send("more")
        with pytest.raises(ConnectionClosed):
            await next_of(socket, "never")


async def test_a_client_that_does_not_read_is_dropped() -> None:
    feed = DemoFeed(since_launch_s=3_000)
    app = create_app(feed, settings=FAST)
    async with serving(app) as port, mute(port):
        hub = app.state.hub
        await until(lambda: hub.clients == 1)
        async with asyncio.timeout(PATIENCE_S):
            while hub.clients:  # never read again: what is sent piles up until it is dropped
                feed.comment = "x" * 400_000 + str(hub.sequence)
                feed.changed()
                await asyncio.sleep(0.01)


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "http://127.0.0.1:9"])
async def test_another_page_cannot_listen(origin: str) -> None:
    async with serving(create_app(DemoFeed())) as port:
        with pytest.raises(InvalidStatus) as refused:
            async with connect(f"ws://{HOST}:{port}/ws", origin=origin):  # type: ignore[arg-type]
                pass
        assert refused.value.response.status_code == 403


async def test_too_many_screens() -> None:
    settings = ScreenSettings(max_clients=1)
    async with serving(create_app(DemoFeed(), settings=settings)) as port:
        address = f"ws://{HOST}:{port}/ws"
        async with connect(address) as first:
            await first.send(NEW)
            await next_of(first, "snapshot")
            async with connect(address) as second:
                with pytest.raises(ConnectionClosed) as closed:
                    async with asyncio.timeout(PATIENCE_S):
                        await second.recv()
                assert closed.value.rcvd is not None
                assert closed.value.rcvd.code == 1013


async def test_watchers_take_no_place_of_the_crew() -> None:
    keys = Keys(watch="the watchers' key, long", crew="the crew's key, long too")
    settings = ScreenSettings(max_clients=1, keys=keys, guarded=True)
    async with serving(create_app(DemoFeed(), settings=settings)) as port:
        address = f"ws://{HOST}:{port}/ws"
        for_watch = {"Authorization": f"Bearer {keys.watch}"}
        for_crew = {"Authorization": f"Bearer {keys.crew}"}
        async with connect(address, additional_headers=for_watch) as first:
            await first.send(NEW)
            await next_of(first, "snapshot")
            async with connect(address, additional_headers=for_watch) as second:
                with pytest.raises(ConnectionClosed):
                    async with asyncio.timeout(PATIENCE_S):
                        await second.recv()
            async with connect(address, additional_headers=for_crew) as crew:
                await crew.send(NEW)
                await next_of(crew, "snapshot")


async def test_who_comes_at_once_is_let_in_one_a_turn_of_the_loop(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """After a station's start all screens come back in the same moment, and the radio goes on."""
    turn = 0
    asked: list[int] = []
    joined: list[int] = []

    async def turns() -> None:
        nonlocal turn
        while True:
            turn += 1
            await asyncio.sleep(0)

    def local(*_: object) -> bool:
        asked.append(turn)
        return True

    settings = ScreenSettings(
        keys=Keys("the watchers' key, long", "the crew's key, long"), local=local
    )
    app = create_app(DemoFeed(since_launch_s=3_000), settings=settings)
    join = app.state.hub.join

    def joining(resume: Resume) -> Client:
        joined.append(turn)
        client: Client = join(resume)
        return client

    monkeypatch.setattr(app.state.hub, "join", joining)
    async with serving(app) as port, contextlib.AsyncExitStack() as open_:
        counting = asyncio.create_task(turns())
        address = f"ws://{HOST}:{port}/ws"
        connecting = [open_.enter_async_context(connect(address)) for _ in range(60)]
        sockets = await asyncio.gather(*connecting)
        await asyncio.gather(*(one.send(NEW) for one in sockets))
        await asyncio.gather(*(next_of(one, "snapshot") for one in sockets))
        counting.cancel()
    assert len(set(asked)) == len(asked) == 60
    assert len(set(joined)) == len(joined) == 60
