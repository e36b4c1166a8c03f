"""A real `leeward` in a process of its own, and a TNC to feed it."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import socket
import sys
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import IO, Any, Self

import httpx

from decoders.ax25 import encode_ui
from decoders.kiss import encode_frame
from decoders.reports import Transmission
from decoders.tnc2 import decode_line
from tests.seen import kinds, seen

PATIENCE_S = 60.0
CHECKOUT = Path(__file__).parents[2]


def free_port() -> int:
    with socket.socket() as trial:
        trial.bind(("127.0.0.1", 0))
        return int(trial.getsockname()[1])


async def checked(plan: Path, seconds: float) -> tuple[int | None, str]:
    """What `leeward check` says in a process of its own, with what it returns."""
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "server.commands.main",
        "check",
        str(plan),
        "--seconds",
        str(seconds),
        stdout=asyncio.subprocess.PIPE,
        cwd=CHECKOUT,
    )
    out, _ = await process.communicate()
    return process.returncode, out.decode()


class Running:
    """The process, and its screen's address."""

    def __init__(
        self, process: asyncio.subprocess.Process, port: int, key: str | None = None
    ) -> None:
        self.process = process
        self.address = f"http://127.0.0.1:{port}"
        self.headers = {} if key is None else {"Authorization": f"Bearer {key}"}

    async def state(self) -> dict[str, Any]:
        async with httpx.AsyncClient(headers=self.headers, verify=False) as client:
            answer = await client.get(f"{self.address}/api/state", timeout=PATIENCE_S)
        return seen(answer.raise_for_status().json())

    async def whole(self) -> dict[str, Any]:
        """The state, once the journal has been read."""
        return await self.until(lambda _: True)

    async def until(
        self, holds: Callable[[dict[str, Any]], object], *, within_s: float = PATIENCE_S
    ) -> dict[str, Any]:
        """Ask for the state until `holds(state)`, and the journal has been read."""
        async with asyncio.timeout(within_s):
            while True:
                state = await self.state()
                if holds(state) and "journal_read" not in kinds(state):
                    return state
                await asyncio.sleep(0.05)

    async def kill(self) -> None:
        """kill -9: no chance to tidy up."""
        self.process.send_signal(signal.SIGKILL)
        await self.process.wait()

    async def end(self) -> int:
        """Ask it to end, as Ctrl-C does; its exit code."""
        if self.process.returncode is None:
            self.process.send_signal(signal.SIGINT)
        async with asyncio.timeout(PATIENCE_S):
            return await self.process.wait()


@contextlib.asynccontextmanager
async def leeward(
    *arguments: str,
    port: int | None = None,
    key: str | None = None,
    errors: IO[bytes] | None = None,
    patience_s: float = PATIENCE_S,
    checkout: Path = CHECKOUT,
) -> AsyncIterator[Running]:
    """`leeward` of a checkout with these arguments, once its screen answers; asked with `key`. What it
    complains of goes to `errors`."""
    port = port or free_port()
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "server.commands.main",
        *arguments,
        "--no-browser",
        "--port",
        str(port),
        stdout=asyncio.subprocess.PIPE,
        stderr=errors,
        cwd=checkout,
        env=os.environ | {"PYTHONUNBUFFERED": "1"},
    )
    assert process.stdout is not None
    try:
        async with asyncio.timeout(patience_s):
            line = await process.stdout.readline()
        assert b"Leeward is at" in line, line
        yield Running(process, port, key)
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()


def kiss(line: bytes) -> bytes:
    """A TNC2 line as the KISS frame that a TNC would send for it."""
    sent = decode_line(line)
    assert isinstance(sent, Transmission)
    return encode_frame(encode_ui(sent))


class Tnc:
    """A KISS TCP server that holds frames back until somebody listens."""

    def __init__(self) -> None:
        self.port = free_port()
        self._listener: asyncio.StreamWriter | None = None
        self._connected = asyncio.Event()
        self._server: asyncio.Server | None = None

    async def __aenter__(self) -> Self:
        self._server = await asyncio.start_server(self._accept, "127.0.0.1", self.port)
        return self

    async def __aexit__(self, *_: object) -> None:
        assert self._server is not None
        self._server.close()
        if self._listener is not None:
            self._listener.close()
            with contextlib.suppress(OSError):
                await self._listener.wait_closed()

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._listener = writer
        self._connected.set()
        with contextlib.suppress(OSError):
            while await reader.read(1_000):
                pass
        if self._listener is writer:
            self._connected.clear()
        writer.close()

    async def send(self, line: bytes) -> None:
        async with asyncio.timeout(PATIENCE_S):
            await self._connected.wait()
        assert self._listener is not None
        with contextlib.suppress(OSError):
            self._listener.write(kiss(line))
            await self._listener.drain()
