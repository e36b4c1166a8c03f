"""Serial sources on pseudo-terminals, with the cable pulled and put back."""

from __future__ import annotations

import asyncio
import os
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import serial

from decoders import nmea
from decoders.ax25 import encode_ui
from decoders.kiss import encode_frame
from decoders.reports import PositionReport, Transmission
from server.sources import SourceSpec, connection
from tests.machine import require
from tests.sources.listening import Cable, listening

FRAME = encode_ui(Transmission("N0CALL-11", "APRS", (), b"!4903.50N/07201.75W-"))
SENTENCE = nmea.encode_gga(PositionReport("gps", 46.5, -100.8, time_s=1.7e9, altitude_m=500.0))


@pytest.fixture
def cable(tmp_path: Path) -> Iterator[Cable]:
    made = Cable(tmp_path / "ttyTEST")
    yield made
    made.unplug()


@pytest.mark.parametrize(
    ("kind", "stream", "payload"),
    [
        ("kiss-serial", encode_frame(FRAME), b"\x00" + FRAME),
        ("nmea-serial", SENTENCE + b"\r\n", SENTENCE),
    ],
)
async def test_unplug_and_replug(cable: Cable, kind: str, stream: bytes, payload: bytes) -> None:
    spec = SourceSpec("s", kind, device=str(cable.path))
    async with listening(spec) as heard:
        await heard.until_state("failed", "no device")
        for count in (1, 2):
            cable.plug_in()
            await heard.until_state("open")
            for start in range(0, len(stream), 5):
                cable.say(stream[start : start + 5])
            await heard.until_heard(count)
            cable.unplug()
            await heard.until_state("failed")
        await heard.until_state("failed", "no device")
    assert heard.payloads == [payload] * 2
    assert any("is gone" in (state.reason or "") for state in heard.states)


async def test_silent_port_says_what_to_check(cable: Cable) -> None:
    cable.plug_in()
    spec = SourceSpec("s", "kiss-serial", device=str(cable.path), quiet_after_s=0.05)
    async with listening(spec) as heard:
        await heard.until_state("quiet", "check cable, baud rate and squelch")


async def test_second_program_on_the_port(cable: Cable) -> None:
    cable.plug_in()
    spec = SourceSpec("s", "kiss-serial", device=str(cable.path))
    async with listening(spec) as first:
        await first.until_state("open")
        async with listening(spec) as second:
            await second.until_state("failed", "in use by another program")


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda path: path.write_bytes(b""), "is not a serial port"),
        (lambda path: path.mkdir(), "is not a serial port"),
        (lambda path: None, "no device"),
    ],
)
async def test_what_is_no_port(tmp_path: Path, make: Callable[[Path], object], words: str) -> None:
    path = tmp_path / "ttyTEST"
    make(path)
    async with listening(SourceSpec("s", "nmea-serial", device=str(path))) as heard:
        await heard.until_state("failed", words)


async def test_no_permission(cable: Cable, monkeypatch: pytest.MonkeyPatch) -> None:
    """Tests may run as root, whom no file refuses: the system's answer is played."""

    def refuse(*_: object, **__: object) -> None:
        raise serial.SerialException(13, "could not open port: Permission denied")

    monkeypatch.setattr(serial, "Serial", refuse)
    async with listening(SourceSpec("s", "kiss-serial", device=str(cable.path))) as heard:
        await heard.until_state("failed", "add yourself to the group dialout")


async def test_port_that_does_not_open_stalls_nobody(
    cable: Cable, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first open blocks; it is given up, not tried beside itself, and closed when it ends."""
    cable.plug_in()
    release, closed = threading.Event(), asyncio.Event()
    tries: list[int] = []
    loop = asyncio.get_running_loop()

    class Slow(serial.Serial):
        def __init__(self, *given: Any, **named: Any) -> None:
            tries.append(1)
            release.wait(20)
            super().__init__(*given, **named)

        def close(self) -> None:
            super().close()
            loop.call_soon_threadsafe(closed.set)

    monkeypatch.setattr(serial, "Serial", Slow)
    monkeypatch.setattr(connection, "OPEN_WITHIN_S", 0.05)
    spec = SourceSpec("s", "kiss-serial", device=str(cable.path))
    async with listening(spec) as heard:
        await heard.until(lambda: len(heard.states) > 5)
        assert "does not open" in (heard.source.state.reason or "")
        assert len(tries) == 1
    release.set()
    await asyncio.wait_for(closed.wait(), 20)


async def test_socat_as_cable(tmp_path: Path) -> None:
    """A pair made by another program, as a crew would make it to share a TNC."""
    socat = require("socat")
    here, there = tmp_path / "here", tmp_path / "there"
    pair = [f"pty,raw,echo=0,link={path}" for path in (here, there)]
    process = await asyncio.create_subprocess_exec(socat, *pair)
    try:
        async with listening(SourceSpec("s", "kiss-serial", device=str(here))) as heard:
            await heard.until_state("open")
            other = os.open(there, os.O_RDWR | os.O_NOCTTY)
            try:
                os.write(other, encode_frame(FRAME))
                await heard.until_heard(1)
            finally:
                os.close(other)
            process.terminate()
            await heard.until_state("failed")
    finally:
        if process.returncode is None:
            process.terminate()
        await process.wait()
    assert heard.payloads == [b"\x00" + FRAME]
