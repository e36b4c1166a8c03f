"""A source at work in a test, and counterparts for it to talk to."""

from __future__ import annotations

import asyncio
import itertools
import os
import tty
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

from server.flight.inputs import Reception
from server.sources import Backoff, Source, SourceSpec, SourceState

PATIENCE_S = 20.0
SHORT = Backoff(first_s=0.01, cap_s=0.05)


class Listening:
    """Keeps what a source delivers and says; `until` waits for it without guessing how long."""

    def __init__(self, spec: SourceSpec, backoff: Backoff = SHORT) -> None:
        self.receptions: list[Reception] = []
        self.states: list[SourceState] = []
        self._news = asyncio.Event()
        ticks = itertools.count(1_000)
        self.source = Source(
            spec,
            self._deliver,
            clock=lambda: float(next(ticks)),
            on_state=self._on_state,
            backoff=backoff,
        )

    @property
    def payloads(self) -> list[bytes]:
        return [reception.payload for reception in self.receptions]

    @property
    def names(self) -> list[str]:
        """States in order, each once."""
        return [name for name, _ in itertools.groupby(state.state for state in self.states)]

    async def until(self, done: Callable[[], bool]) -> None:
        async with asyncio.timeout(PATIENCE_S):
            while not done():
                self._news.clear()
                await self._news.wait()

    async def until_heard(self, count: int) -> None:
        await self.until(lambda: len(self.receptions) >= count)

    async def until_state(self, name: str, words: str = "") -> None:
        await self.until(
            lambda: self.source.state.state == name and words in (self.source.state.reason or "")
        )

    def _deliver(self, reception: Reception) -> None:
        self.receptions.append(reception)
        self._news.set()

    def _on_state(self, state: SourceState) -> None:
        self.states.append(state)
        self._news.set()


@asynccontextmanager
async def listening(spec: SourceSpec, backoff: Backoff = SHORT) -> AsyncIterator[Listening]:
    heard = Listening(spec, backoff)
    task = asyncio.create_task(heard.source.run())
    try:
        yield heard
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


class TcpCounterpart:
    """A server that greets each caller with `greeting` and keeps what it is told."""

    def __init__(self, greeting: bytes = b"") -> None:
        self.greeting = greeting
        self.told = bytearray()
        self.calls = 0
        self._callers: list[asyncio.StreamWriter] = []
        self._news = asyncio.Event()
        self._server: asyncio.Server | None = None
        self.port = 0

    async def start(self) -> None:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)
        self.port = self._server.sockets[0].getsockname()[1]

    async def stop(self) -> None:
        """Ends the server and hangs up on everyone."""
        assert self._server is not None
        self._server.close()
        self.hang_up()
        await self._server.wait_closed()

    def say(self, data: bytes) -> None:
        for writer in self._callers:
            writer.write(data)

    def hang_up(self) -> None:
        callers, self._callers = self._callers, []
        for writer in callers:
            writer.close()

    async def until(self, done: Callable[[], bool]) -> None:
        async with asyncio.timeout(PATIENCE_S):
            while not done():
                self._news.clear()
                await self._news.wait()

    async def until_called(self, times: int) -> None:
        await self.until(lambda: self.calls >= times)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.calls += 1
        self._callers.append(writer)
        writer.write(self.greeting)
        self._news.set()
        while data := await reader.read(4096):
            self.told += data
            self._news.set()
        writer.close()


@asynccontextmanager
async def tcp_counterpart(greeting: bytes = b"") -> AsyncIterator[TcpCounterpart]:
    server = TcpCounterpart(greeting)
    await server.start()
    try:
        yield server
    finally:
        await server.stop()


class Cable:
    """A pseudo-terminal at a path of its own: plugged in, spoken into, and unplugged."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._ends: tuple[int, int] | None = None  # what a test holds, what the station opens

    def plug_in(self) -> None:
        self._ends = os.openpty()
        tty.setraw(self._ends[1])
        self.path.symlink_to(os.ttyname(self._ends[1]))

    @property
    def far_end(self) -> int:
        assert self._ends is not None, "plug it in first"
        return self._ends[0]

    def say(self, data: bytes) -> None:
        os.write(self.far_end, data)

    def unplug(self) -> None:
        self.path.unlink(missing_ok=True)
        for descriptor in self._ends or ():
            os.close(descriptor)
        self._ends = None
