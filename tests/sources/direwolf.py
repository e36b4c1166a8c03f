"""A real software TNC (Debian's direwolf) that hears audio made by its own gen_packets."""

from __future__ import annotations

import asyncio
import contextlib
import wave
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path

from tests.machine import require
from tests.screen.serving import answering
from tests.session.running import free_port

SAMPLES_PER_S = 44_100
SILENCE = bytes(SAMPLES_PER_S)  # half a second of 16 bits


@dataclass(frozen=True)
class Direwolf:
    agw_port: int
    kiss_port: int
    audio: bytes
    process: asyncio.subprocess.Process

    async def transmit(self) -> None:
        """Play the packets once; it hears them as from a radio."""
        assert self.process.stdin is not None
        self.process.stdin.write(SILENCE + self.audio + SILENCE)
        await self.process.stdin.drain()


async def _audio(folder: Path, lines: list[str]) -> bytes:
    (folder / "packets.txt").write_text("\n".join(lines) + "\n")
    made = await asyncio.create_subprocess_exec(
        require("gen_packets"),
        "-r",
        str(SAMPLES_PER_S),
        "-o",
        "packets.wav",
        "packets.txt",
        cwd=folder,
        stdout=asyncio.subprocess.DEVNULL,
        stderr=asyncio.subprocess.DEVNULL,
    )
    assert await made.wait() == 0
    with wave.open(str(folder / "packets.wav")) as file:
        samples: bytes = file.readframes(file.getnframes())
    return samples


def _registered_port() -> int:
    """A free port that it accepts: 1024 to 49151."""
    while (port := free_port()) > 49_151:
        pass
    return port


@contextlib.asynccontextmanager
async def direwolf(folder: Path, lines: list[str]) -> AsyncIterator[Direwolf]:
    """The TNC, once it listens on both of its ports; `lines` are TNC2 packets."""
    program = require("direwolf")
    audio = await _audio(folder, lines)
    agw_port, kiss_port = _registered_port(), _registered_port()
    (folder / "direwolf.conf").write_text(
        "ADEVICE stdin null\nACHANNELS 1\nCHANNEL 0\nMYCALL N0CALL\nMODEM 1200\n"
        f"AGWPORT {agw_port}\nKISSPORT {kiss_port}\n"
    )
    process = await asyncio.create_subprocess_exec(
        program,
        "-n",
        "1",
        "-r",
        str(SAMPLES_PER_S),
        "-b",
        "16",
        "-t",
        "0",
        "-c",
        "direwolf.conf",
        "-",
        cwd=folder,
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.DEVNULL,
        stderr=asyncio.subprocess.DEVNULL,
    )
    try:
        for port in (agw_port, kiss_port):
            await answering(port, lambda: process.returncode is not None)
        yield Direwolf(agw_port, kiss_port, audio, process)
    finally:
        if process.returncode is None:
            process.kill()
        await process.wait()
