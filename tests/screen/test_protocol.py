"""Connections that a stranger holds for nothing: cut, so that the crew still gets in."""

from __future__ import annotations

import asyncio
import resource
from collections.abc import AsyncIterator

import httpx
import pytest
from fastapi import WebSocket

from server.screen import protocol, serve
from server.screen.app import create_app
from server.screen.protocol import MAX_HEAD_BYTES
from tests.screen.demo_feed import DemoFeed
from tests.screen.serving import HOST, serving

PATIENCE_S = 30.0


@pytest.fixture
async def port() -> AsyncIterator[int]:
    async with serving(create_app(DemoFeed(since_launch_s=6_700))) as port:
        yield port


async def ends_with(port: int, first: bytes, more: bytes, pieces: int = 1_000) -> bytes:
    """What the server says before it closes, while we send on."""
    reader, writer = await asyncio.open_connection(HOST, port)
    try:
        async with asyncio.timeout(PATIENCE_S):
            writer.write(first)
            for _ in range(pieces if more else 0):
                writer.write(more)
                await writer.drain()
                if reader.at_eof():
                    break
            return await reader.read()
    except ConnectionError:
        return b"reset"
    finally:
        writer.transport.abort()


@pytest.mark.parametrize(
    ("first", "more"),
    [
        (b"GET /", b"a" * 60_000),
        (b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n", b"X: " + b"a" * 30_000 + b"\r\n"),
        (b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: ", b"a" * 60_000),
        # fields behind a body, and what may stand behind the size of a part of it (RFC 9112, 7.1)
        (
            b"POST /api/enter HTTP/1.1\r\nHost: 127.0.0.1\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n",
            b"X: " + b"a" * 30_000 + b"\r\n",
        ),
        (
            b"POST /api/enter HTTP/1.1\r\nHost: 127.0.0.1\r\nTransfer-Encoding: chunked\r\n\r\n1;",
            b"a" * 60_000,
        ),
    ],
)
async def test_a_head_without_end_is_cut(port: int, first: bytes, more: bytes) -> None:
    said = await ends_with(port, first, more, 100)
    assert said == b"reset" or b" 431 " in said or b" 400 " in said


async def test_a_head_of_a_usual_size_passes(port: int) -> None:
    async with httpx.AsyncClient(base_url=f"http://{HOST}:{port}") as client:
        for size in (8_000, MAX_HEAD_BYTES - 2_000):
            reply = await client.get("/healthz", headers={"X-Long": "a" * size})
            assert reply.status_code == 200
        big = await client.post("/api/acknowledge", content=b"x" * 400_000)
        assert big.status_code == 413


@pytest.mark.parametrize(
    "first",
    [
        b"",
        b"GET / HTTP/1.1\r\nHo",
        b"POST /api/acknowledge HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 4000\r\n\r\n{",
        b"GET /healthz HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\nG",  # again on a line that is kept open
        b"GET /healthz HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 4000\r\n\r\n",
    ],
)
async def test_who_does_not_speak_on_is_not_waited_for(
    first: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(protocol, "HEAD_WITHIN_S", 0.3)
    monkeypatch.setattr(protocol, "WHOLE_WITHIN_S", 0.3)
    async with serving(create_app(DemoFeed(since_launch_s=6_700))) as port:
        said = await ends_with(port, first, b"")  # returns, since the server closed
        assert said == b"reset" or (b" 200 " in said) == (b"/healthz" in first)


async def test_a_socket_is_no_request_and_stays_open(monkeypatch: pytest.MonkeyPatch) -> None:
    from websockets.asyncio.client import connect

    monkeypatch.setattr(protocol, "HEAD_WITHIN_S", 0.2)
    monkeypatch.setattr(protocol, "WHOLE_WITHIN_S", 0.2)
    async with (
        serving(create_app(DemoFeed(since_launch_s=6_700))) as port,
        connect(f"ws://{HOST}:{port}/ws", max_size=None) as socket,
    ):
        await socket.send('{"kind": "resume", "session": null, "sequence": null}')
        heard = [await asyncio.wait_for(socket.recv(), PATIENCE_S) for _ in range(3)]
    assert len(heard) == 3  # the beats come once a second


async def test_one_address_does_not_take_all_the_places(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(protocol, "FROM_ONE_ADDRESS", 5)
    monkeypatch.setattr(protocol, "is_loopback", lambda host: False)
    async with serving(create_app(DemoFeed(since_launch_s=6_700))) as port:
        held = [await asyncio.open_connection(HOST, port) for _ in range(5)]
        assert await ends_with(port, b"", b"") in (b"", b"reset")  # closed at once
        for _, writer in held:
            writer.transport.abort()


async def test_more_than_all_places_are_closed_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Three have said the head of a post and go on slowly, like a phone on a poor link; one is silent."""
    monkeypatch.setattr(serve, "CONNECTIONS", 4)
    monkeypatch.setattr(protocol, "HEAD_WITHIN_S", 3_600.0)  # not closed for its silence
    head = b"POST /api/enter HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 50\r\n"
    async with serving(create_app(DemoFeed(since_launch_s=6_700))) as port:
        held = []
        for first in (*[head + b"Expect: 100-continue\r\n\r\n"] * 3, b""):
            reader, writer = await asyncio.open_connection(HOST, port)
            held.append(writer)
            writer.write(first)
            if first:  # until it is read, the next one would take its place
                said = await asyncio.wait_for(reader.readuntil(b"\r\n\r\n"), PATIENCE_S)
                assert said.startswith(b"HTTP/1.1 100 ")
        assert await ends_with(port, b"", b"") in (b"", b"reset")
        assert not any(writer.transport.is_closing() for writer in held)
        for writer in held:
            writer.transport.abort()


async def test_silent_connections_keep_nobody_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """Many more than there are places: who speaks takes the place of the longest silent one."""
    monkeypatch.setattr(serve, "CONNECTIONS", 20)
    monkeypatch.setattr(protocol, "SPARE", 5)
    async with serving(create_app(DemoFeed(since_launch_s=6_700))) as port:
        held = [await asyncio.open_connection(HOST, port) for _ in range(60)]
        for _ in range(10):
            async with httpx.AsyncClient() as client:
                answer = await client.get(f"http://{HOST}:{port}/healthz", timeout=PATIENCE_S)
            assert answer.status_code == 200
        for _, writer in held:
            writer.transport.abort()


def test_connections_leave_room_for_files(monkeypatch: pytest.MonkeyPatch) -> None:
    limit = [(1_024, 4_096)]
    monkeypatch.setattr(resource, "getrlimit", lambda which: limit[0])
    monkeypatch.setattr(resource, "setrlimit", lambda which, asked: limit.__setitem__(0, asked))
    assert serve.connections_that_fit(3_000) == 3_000
    assert limit[0] == (3_512, 4_096)
    limit[0] = (1_024, 1_024)
    assert serve.connections_that_fit(3_000) == 512


UPGRADE = (
    b"GET /ws HTTP/1.1\r\nHost: 127.0.0.1\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
    b"Sec-WebSocket-Version: 13\r\nSec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n"
)


async def test_noise_before_a_socket_is_let_in_waits_for_it(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    app = create_app(DemoFeed(since_launch_s=3_000))
    asked, go = asyncio.Event(), asyncio.Event()
    accept = WebSocket.accept

    async def accepting(socket: WebSocket) -> None:
        asked.set()
        await go.wait()
        await accept(socket)

    monkeypatch.setattr(WebSocket, "accept", accepting)
    async with serving(app) as port, asyncio.timeout(PATIENCE_S):
        reader, writer = await asyncio.open_connection(HOST, port)
        writer.write(UPGRADE)
        await asked.wait()
        writer.write(b"\xff" * 100)
        async with httpx.AsyncClient() as other:  # once this is answered, the noise has come
            assert (await other.get(f"http://{HOST}:{port}/healthz")).status_code == 200
        go.set()
        said = await reader.read()
        writer.close()
    assert said.startswith(b"HTTP/1.1 101 ")
    assert b"\x88" in said, "closed as a socket is"
    assert "Fatal error" not in caplog.text
