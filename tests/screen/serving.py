"""A real server on a free port of this machine, for tests that need a wire."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

from fastapi import FastAPI

from server.screen.serve import uvicorn_server

HOST = "127.0.0.1"


async def until(holds: Callable[[], bool], patience_s: float = 30.0) -> None:
    """Waits for a condition that nothing announces."""
    async with asyncio.timeout(patience_s):
        while not holds():  # noqa: ASYNC110 - the things waited for have no event
            await asyncio.sleep(0.01)


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
