"""NMEA over UDP, and the phone, whose bodies come by the web route."""

from __future__ import annotations

import asyncio
import socket

from decoders import nmea
from decoders.reports import PositionReport
from server.sources import SourceSpec
from server.sources.connection import UDP_QUEUE, UdpConnection
from tests.sources.listening import listening

SENTENCE = nmea.encode_gga(PositionReport("gps", 46.5, -100.8, time_s=1.7e9, altitude_m=500.0))


def free_port() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


async def test_datagrams_with_and_without_line_ends() -> None:
    port = free_port()
    async with listening(SourceSpec("car", "nmea-udp", port=port)) as heard:
        await heard.until_state("open")
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            for datagram in (SENTENCE, SENTENCE + b"\r\n", SENTENCE + b"\r\n" + SENTENCE):
                sender.sendto(datagram, ("127.0.0.1", port))
            await heard.until_heard(4)
    assert heard.payloads == [SENTENCE] * 4
    assert {one.wire for one in heard.receptions} == {"nmea"}


async def test_port_in_use_and_address_of_another() -> None:
    port = free_port()
    async with listening(SourceSpec("a", "nmea-udp", port=port)) as first:
        await first.until_state("open")
        async with listening(SourceSpec("b", "nmea-udp", port=port)) as second:
            await second.until_state("failed", "in use by another program")
    elsewhere = SourceSpec("c", "nmea-udp", host="203.0.113.7", port=port)  # RFC 5737: for examples
    async with listening(elsewhere) as heard:
        await heard.until_state("failed", "not an address of this laptop")


async def test_flood_is_counted() -> None:
    flooded = UdpConnection()
    for _ in range(UDP_QUEUE + 5):
        flooded.datagram_received(b"x", None)
    assert flooded.dropped == 5
    assert await asyncio.wait_for(flooded.read(), 20) == b"x"


async def test_phone_waits_calls_and_falls_quiet() -> None:
    async with listening(SourceSpec("phone", "phone", quiet_after_s=0.05)) as heard:
        await heard.until_state("waiting", "waits for the phone")
        heard.source.receive(b'{"latitude":1,"longitude":2}')
        await heard.until_heard(1)
        await heard.until_state("quiet", "has not called")
        heard.source.note(17)
        await heard.until(lambda: heard.names[-1] == "open")
        await heard.until_state("quiet")
    assert heard.names == ["waiting", "open", "quiet", "open", "quiet"]
    assert heard.receptions[0].wire == "phone"
    assert (heard.source.state.receptions, heard.source.state.bytes) == (2, 28 + 17)
