"""The AGW protocol: a real software TNC, and a made server for what a real one does not send."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from decoders import agw
from decoders.ax25 import encode_ui
from decoders.decode import decode
from decoders.reports import Decoding, PositionReport, Transmission, Wire
from server.sources import SourceSpec, probe
from server.sources.framing import SPEAKS_AGW, AgwFramer
from tests.sources.direwolf import direwolf
from tests.sources.listening import PATIENCE_S, listening, tcp_counterpart

SENT = Transmission("N0CALL-11", "APZLWD", ("WIDE1-1*",), b"!4903.50N/07201.75W-up")
RAW = agw.encode_frame("K", b"\x00" + encode_ui(SENT), sender="N0CALL-11", destination="APZLWD")
TEXT = agw.encode_frame(
    "U",
    b" 1:Fm N0CALL-11 To APZLWD Via WIDE1-1* <UI pid=F0 Len=22 >[12:00:00]\r"
    + SENT.information
    + b"\r\r\0",
)
VERSION = agw.encode_frame("R", bytes([0xD5, 7, 0, 0, 0x7F, 0, 0, 0]))
LINES = [
    "N0CALL-11>APZLWD,WIDE1-1*:!4903.50N/07201.75W-up",
    "N0CALL-11>APZLWD,WIDE1-1:/120000h4903.60N/07201.75WO/A=001000 two",
]


def read(payload: bytes, wire: Wire = "agw") -> Decoding:
    return decode(wire, payload, 1.78e9, "s")


def position(decoding: Decoding) -> PositionReport:
    report = decoding.reports[0]
    assert isinstance(report, PositionReport)
    return report


async def test_a_real_software_tnc_is_heard_over_agw_and_kiss(tmp_path: Path) -> None:
    async with direwolf(tmp_path, LINES) as tnc:
        over_agw = SourceSpec("agw", "agw-tcp", port=tnc.agw_port)
        over_kiss = SourceSpec("kiss", "kiss-tcp", port=tnc.kiss_port)
        async with listening(over_agw) as heard, listening(over_kiss) as also:
            await heard.until_state("open", "AGW server, version 2005.127")
            await also.until_state("open")
            await tnc.transmit()
            await heard.until_heard(2)
            await also.until_heard(2)
    assert {one.wire for one in heard.receptions} == {"agw"}
    decodings = [read(payload) for payload in heard.payloads]
    assert [decoding.problem for decoding in decodings] == [None] * len(decodings)
    senders = {(d.transmission.sender, d.transmission.path) for d in decodings if d.transmission}
    assert senders == {("N0CALL-11", ("WIDE1-1*",)), ("N0CALL-11", ("WIDE1-1",))}
    by_kiss = [read(payload, "kiss") for payload in also.payloads]
    assert [d.reports for d in decodings[:2]] == [d.reports for d in by_kiss[:2]]
    assert position(decodings[1]).altitude_m == pytest.approx(304.8)


async def test_text_of_a_real_software_tnc_is_read_where_it_has_nothing_raw(tmp_path: Path) -> None:
    async with direwolf(tmp_path, LINES) as tnc:
        reader, writer = await asyncio.open_connection("127.0.0.1", tnc.agw_port)
        try:
            writer.write(agw.encode_frame("m") + agw.encode_frame("R"))
            decoder = agw.AgwDecoder()
            frames: list[bytes] = []
            async with asyncio.timeout(PATIENCE_S):
                while not frames:
                    frames = decoder.feed(await reader.read(4096))  # the version: it has read both
                await tnc.transmit()
                while len(frames) < 3:
                    frames += decoder.feed(await reader.read(4096))
        finally:
            writer.close()
    assert [agw.decode_frame(frame).kind for frame in frames] == ["R", "U", "U"]
    first, second = (read(frame) for frame in frames[1:])
    assert (first.problem, second.problem) == (None, None)
    assert first.transmission is not None
    assert first.transmission.path == ("WIDE1-1",)  # direwolf 1.6 leaves out who has repeated it
    assert (position(first).comment, position(second).comment) == ("up", " two")


async def test_a_kiss_source_is_told_of_a_real_agw_port(tmp_path: Path) -> None:
    async with direwolf(tmp_path, LINES) as tnc:
        wrong = await probe(SourceSpec("tnc", "kiss-tcp", port=tnc.agw_port), 0.3)
        right = await probe(SourceSpec("tnc", "kiss-tcp", port=tnc.kiss_port), 0.3)
    assert not wrong.ok
    assert 'this port speaks AGW: use kind = "agw-tcp"' in wrong.words
    assert right.ok
    assert "nothing was heard" in right.words


async def test_raw_and_monitored_frames_are_asked_for() -> None:
    async with (
        tcp_counterpart() as server,
        listening(SourceSpec("s", "agw-tcp", port=server.port)) as heard,
    ):
        await server.until(lambda: len(server.told) >= 3 * agw.HEADER_BYTES)
        server.say(VERSION)
        await heard.until_state("open", "AGW server, version 2005.127")
        server.say(TEXT)
        await heard.until_heard(1)
        server.say(RAW + TEXT)
        await heard.until_heard(2)
        server.say(b"\xff" * 50 + RAW[:20])
        await heard.until_heard(3)
        server.say(RAW[20:])
        await heard.until(lambda: heard.payloads.count(RAW) == 2)
    asked = [server.told[i : i + 36] for i in range(0, 108, 36)]
    assert [agw.decode_frame(bytes(one)).kind for one in asked] == ["R", "k", "m"]
    assert heard.payloads[:2] == [TEXT, RAW]
    assert b"".join(heard.payloads[2:-1]) == b"\xff" * 50
    assert [bool(read(heard.payloads[i]).reports) for i in (0, 1, 2, -1)] == [1, 1, 0, 1]


async def test_silent_port_that_is_no_agw() -> None:
    async with tcp_counterpart() as server:
        spec = SourceSpec("s", "agw-tcp", port=server.port, quiet_after_s=0.05)
        async with listening(spec) as heard:
            await heard.until_state("quiet", "does it speak AGW?")


async def test_a_kiss_source_sees_agw_bytes_come() -> None:
    async with (
        tcp_counterpart() as server,
        listening(SourceSpec("s", "kiss-tcp", port=server.port)) as heard,
    ):
        await heard.until_state("open")
        server.say(RAW.replace(b"\xc0", b"\x00"))
        await heard.until_state("open", SPEAKS_AGW)
    assert "not KISS but AGW" in (read(heard.payloads[0], "kiss").problem or "")


async def test_a_silent_kiss_source_tells_what_it_may_be() -> None:
    async with tcp_counterpart() as server:
        spec = SourceSpec("s", "kiss-tcp", port=server.port, quiet_after_s=0.05)
        async with listening(spec) as heard:
            await heard.until_state("quiet", "leeward check asks it")
        assert server.told == b""  # nothing is ever sent on KISS


async def test_a_port_that_answers_something_else_is_no_agw() -> None:
    async with tcp_counterpart() as server:
        heard_nothing = await probe(SourceSpec("s", "kiss-tcp", port=server.port), 0.1)
    assert heard_nothing.ok


def test_kiss_bytes_on_an_agw_source() -> None:
    framer = AgwFramer()
    framer.feed(b"\xc0\x00" + encode_ui(SENT) + b"\xc0")
    assert framer.remark == 'this port speaks KISS: use kind = "kiss-tcp"'


def test_cut_frame_is_counted() -> None:
    framer = AgwFramer()
    assert framer.feed(RAW[:50]) == []
    framer.finish()
    assert framer.dropped == 1
