"""Debian's gpsd, fed with the car's NMEA sentences as datagrams."""

from __future__ import annotations

import asyncio
import contextlib
import shutil
import socket
from typing import Self

PATIENCE_S = 15.0


class NotInstalled(Exception):
    """A program of Debian that the scenario needs is not on this machine."""


class RealGpsd:
    """A gpsd process on loopback, from entering to leaving the context."""

    def __init__(self, port: int) -> None:
        self.port = port or _free(socket.SOCK_STREAM)
        self._feed_port = _free(socket.SOCK_DGRAM)
        self._out = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._out.setblocking(False)
        self._process: asyncio.subprocess.Process | None = None

    async def __aenter__(self) -> Self:
        program = shutil.which("gpsd", path="/usr/sbin:/usr/bin:/sbin:/usr/local/sbin")
        if program is None:
            raise NotInstalled("this scenario needs gpsd: apt-get install gpsd")
        self._process = await asyncio.create_subprocess_exec(
            program,
            "-N",
            "-n",
            "-S",
            str(self.port),
            f"udp://127.0.0.1:{self._feed_port}",
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.DEVNULL,
        )
        async with asyncio.timeout(PATIENCE_S):
            await answering(self.port)
        return self

    async def __aexit__(self, *_: object) -> None:
        self._out.close()
        if self._process is not None:
            with contextlib.suppress(ProcessLookupError):
                self._process.terminate()
            await self._process.wait()

    def say(self, sentence: bytes) -> None:
        with contextlib.suppress(OSError):
            self._out.sendto(sentence, ("127.0.0.1", self._feed_port))


async def answering(port: int) -> None:
    """Wait until something listens there."""
    while True:
        try:
            _, writer = await asyncio.open_connection("127.0.0.1", port)
        except OSError:
            await asyncio.sleep(0.05)
            continue
        writer.close()
        return


def _free(kind: int) -> int:
    with socket.socket(socket.AF_INET, kind) as trial:
        trial.bind(("127.0.0.1", 0))
        return int(trial.getsockname()[1])
