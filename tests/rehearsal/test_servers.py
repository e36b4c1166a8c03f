"""The network ends, spoken to by plain sockets and by the station's own sources."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator

import pytest

from decoders.ax25 import encode_ui
from decoders.kiss import KissDecoder, KissFrame
from decoders.reports import Transmission
from decoders.tnc2 import decode_line
from server.rehearsal.clock import ClockError, ClockServer, follow
from server.rehearsal.ends import SerialEnd
from server.rehearsal.servers import FeedServer, GpsdServer, KissServer, Server

PATIENCE_S = 20.0
NEAR = b"N0CALL-11>APZLWD,qAR,N0CALL-10:!3821.06N/09812.05WO/A=010000"
FAR = b"N0CALL-12>APZLWD,qAR,N0CALL-10:!4821.06N/09812.05WO/A=010000"


@contextlib.asynccontextmanager
async def connected(
    server: Server,
) -> AsyncIterator[tuple[asyncio.StreamReader, asyncio.StreamWriter]]:
    port = await server.open(0)
    async with asyncio.timeout(PATIENCE_S):
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        try:
            yield reader, writer
        finally:
            writer.close()
            await server.close()


async def test_kiss_frames_reach_the_client_escaped() -> None:
    server = KissServer()
    sent = decode_line(b"N0CALL-11>APZLWD:\xc0\xdb")
    assert isinstance(sent, Transmission)
    frame = encode_ui(sent)
    async with connected(server) as (reader, writer):
        writer.write(b"\xc0\x00transmit this\xc0")
        await server.joined()
        server.hear(b"\x00" + frame)
        frames: list[KissFrame] = []
        decoder = KissDecoder()
        while not frames:
            frames = decoder.feed(await reader.read(100))
    assert frames[0].data == frame


async def test_a_feed_greets_wants_a_login_and_filters_by_range() -> None:
    server = FeedServer()
    async with connected(server) as (reader, writer):
        assert (await reader.readline()).startswith(b"# ")
        writer.write(b"user N0CALL pass -1 vers test 1 filter r/38.4/-98.2/300\r\n")
        assert b"logresp N0CALL unverified" in await reader.readline()
        server.hear(FAR, 1_780_000_000.0)
        server.hear(NEAR, 1_780_000_000.0)
        server.hear(b"rubbish", 1_780_000_000.0)
        assert (await reader.readline()).rstrip() == NEAR
        assert (await reader.readline()).rstrip() == b"rubbish"


async def test_gpsd_reports_only_to_those_who_watch() -> None:
    server = GpsdServer()
    async with connected(server) as (reader, writer):
        assert json.loads(await reader.readline())["class"] == "VERSION"
        server.hear(b'{"class":"TPV","mode":0}')
        writer.write(b'?WATCH={"enable":true,"json":true}\n')
        assert json.loads(await reader.readline())["class"] == "DEVICES"
        assert json.loads(await reader.readline())["class"] == "WATCH"
        server.hear(b'{"class":"TPV","mode":3}')
        assert json.loads(await reader.readline()) == {"class": "TPV", "mode": 3}


async def test_a_serial_end_never_blocks() -> None:
    line = SerialEnd()
    try:
        for _ in range(2_000):
            line.say(b"x" * 100)  # nobody reads
        assert line.device.startswith("/dev/")
    finally:
        line.close()


async def test_the_clock_starts_with_the_first_station_and_runs_at_its_speed() -> None:
    server = ClockServer(1_780_000_000.0, 20.0, "one")
    port = await server.open(0)
    try:
        assert server.now_s() == 1_780_000_000.0
        clock = await follow(f"127.0.0.1:{port}", "http://127.0.0.1:8420/")
        await server.first_station()
        assert server.station == "http://127.0.0.1:8420/"
        assert clock.run == "one"
        assert clock() == pytest.approx(server.now_s(), abs=20.0 * PATIENCE_S)
        later = clock.since + 3.0
        moved = clock.__class__(clock.run, clock.origin_s, clock.speed, clock.since, lambda: later)
        assert moved() - clock.origin_s == pytest.approx(60.0)
    finally:
        await server.close()


async def test_no_clock_there_is_a_clear_error() -> None:
    with pytest.raises(ClockError, match="HOST:PORT"):
        await follow("nowhere", "http://127.0.0.1:1/")
    server = Server()
    port = await server.open(0)
    await server.close()
    with pytest.raises(ClockError, match="leeward rehearse"):
        await follow(f"127.0.0.1:{port}", "http://127.0.0.1:1/")


async def test_rubbish_at_the_clocks_door_starts_nothing() -> None:
    server = ClockServer(0.0, 1.0, "one")
    port = await server.open(0)
    try:
        for said in (b"hello\n", b'{"station": 5}\n', b'{"station": "file:///x"}\n', b"[]\n", b""):
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            writer.write(said)
            writer.write_eof()
            async with asyncio.timeout(PATIENCE_S):
                assert await reader.read() == b""
            writer.close()
        assert server.now_s() == 0.0
    finally:
        await server.close()
