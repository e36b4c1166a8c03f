"""A real server on a free port of this machine, for tests that need a wire."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

from fastapi import FastAPI

from server.screen.hub import Hub
from server.screen.serve import uvicorn_server

HOST = "127.0.0.1"


async def until(holds: Callable[[], bool], patience_s: float = 30.0) -> None:
    """Waits for a condition that nothing announces."""
    async with asyncio.timeout(patience_s):
        while not holds():  # noqa: ASYNC110 - the things waited for have no event
            await asyncio.sleep(0.01)


def sent_beyond(hub: Hub, sequence: int) -> bool:
    return hub.sequence > sequence


def free_socket(port: int = 0) -> socket.socket:
    # named as TCP, or asyncio leaves Nagle's delay on: 40 ms a request
    listener = socket.socket(proto=socket.IPPROTO_TCP)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    listener.bind((HOST, port))
    return listener


@asynccontextmanager
async def serving(app: FastAPI, port: int = 0) -> AsyncIterator[int]:
    """The port on which the application answers until the block ends."""
    with free_socket(port) as listener:
        server = uvicorn_server(app, HOST, 0)
        running = asyncio.create_task(server.serve(sockets=[listener]))
        await until(lambda: server.started)
        try:
            yield listener.getsockname()[1]
        finally:
            server.should_exit = True
            await running


async def answering(port: int, ended: Callable[[], bool]) -> None:
    """Wait until a program of this machine listens on a port, or has `ended`, which is a failure."""
    async with asyncio.timeout(60.0):
        while True:
            with contextlib.suppress(OSError):
                _, writer = await asyncio.open_connection(HOST, port)
                writer.close()
                return
            assert not ended(), "it ended at once"
            await asyncio.sleep(0.02)


@asynccontextmanager
async def mute(port: int) -> AsyncIterator[None]:
    """A screen's socket that says hello and reads no further, with little room for what comes."""
    reader, writer = await asyncio.open_connection(HOST, port, limit=1_024)
    writer.write(
        f"GET /ws HTTP/1.1\r\nHost: {HOST}:{port}\r\nUpgrade: websocket\r\n"
        "Connection: Upgrade\r\nSec-WebSocket-Version: 13\r\n"
        "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n".encode()
    )
    async with asyncio.timeout(60.0):
        head = await reader.readuntil(b"\r\n\r\n")
    assert b"101" in head.split(b"\r\n")[0]
    hello = b'{"kind": "resume", "session": null, "sequence": null}'
    writer.write(bytes([0x81, 0x80 | len(hello), 0, 0, 0, 0]) + hello)  # RFC 6455, 5.2
    try:
        yield
    finally:
        writer.close()
