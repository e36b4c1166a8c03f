"""Debian's mosquitto between the gates and the line feed: gates publish, the feed subscribes."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import shutil
import socket
import struct
from collections.abc import Callable
from types import ModuleType
from typing import Any, Self

from server.rehearsal.real_gpsd import NotInstalled, answering

log = logging.getLogger("leeward.rehearsal")

TOPIC = "rehearsal/feed"
PATIENCE_S = 15.0
_TIME = struct.Struct(">d")


class Broker:
    """A mosquitto process on loopback. What is published comes back to `hear(line, heard_at_s)`."""

    def __init__(self, hear: Callable[[bytes, float], None]) -> None:
        self._hear = hear
        self._waiting: asyncio.Queue[bytes] = asyncio.Queue()
        self._process: asyncio.subprocess.Process | None = None
        self._tasks: list[asyncio.Task[None]] = []
        self._subscribed = asyncio.Event()
        self.carried = 0

    async def __aenter__(self) -> Self:
        program = shutil.which("mosquitto", path="/usr/sbin:/usr/bin:/sbin:/usr/local/sbin")
        if program is None:
            raise NotInstalled("this scenario needs mosquitto: apt-get install mosquitto")
        client = _client()
        with socket.socket() as trial:
            trial.bind(("127.0.0.1", 0))
            port = int(trial.getsockname()[1])
        self._process = await asyncio.create_subprocess_exec(
            program,
            "-p",
            str(port),
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.DEVNULL,
        )
        async with asyncio.timeout(PATIENCE_S):
            await answering(port)
            self._tasks = [
                asyncio.ensure_future(self._subscribe(client, port)),
                asyncio.ensure_future(self._publish(client, port)),
            ]
            await self._subscribed.wait()
        return self

    async def __aexit__(self, *_: object) -> None:
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        if self._process is not None:
            with contextlib.suppress(ProcessLookupError):
                self._process.terminate()
            await self._process.wait()

    def publish(self, line: bytes, heard_at_s: float) -> None:
        """One packet of a gate; never waits."""
        self._waiting.put_nowait(_TIME.pack(heard_at_s) + line)

    async def _publish(self, client: Any, port: int) -> None:
        async with client("127.0.0.1", port) as connected:
            while True:
                await connected.publish(TOPIC, await self._waiting.get(), qos=1)

    async def _subscribe(self, client: Any, port: int) -> None:
        async with client("127.0.0.1", port) as connected:
            await connected.subscribe(TOPIC, qos=1)
            self._subscribed.set()
            async for message in connected.messages:
                payload = bytes(message.payload)
                self.carried += 1
                self._hear(payload[_TIME.size :], _TIME.unpack_from(payload)[0])


def _client() -> Any:
    try:
        import aiomqtt
    except ImportError as error:
        raise NotInstalled("this scenario needs aiomqtt: pip install 'leeward[mqtt]'") from error
    module: ModuleType = aiomqtt
    return module.Client
