"""Sources over TCP: KISS, TNC2, APRS-IS and NMEA."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from decoders.ax25 import encode_ui
from decoders.kiss import encode_frame
from decoders.reports import Transmission
from server.sources import Source, SourceSpec, SourceState
from server.sources import source as source_module
from server.sources.framing import LINE_BYTES
from tests.sources.listening import SHORT, listening, tcp_counterpart

FRAME = encode_ui(Transmission("N0CALL-11", "APRS", (), b"!4903.50N/07201.75W-\xc0\xdb"))
LINE = b"N0CALL-11>APRS,qAR,N0CALL-1:!4903.50N/07201.75W-"


def spec(kind: str, port: int, **more: Any) -> SourceSpec:
    return SourceSpec("s", kind, host="127.0.0.1", port=port, **more)


async def test_kiss_frames_arrive_unescaped_with_their_type_byte() -> None:
    async with tcp_counterpart() as tnc, listening(spec("kiss-tcp", tnc.port)) as heard:
        await heard.until_state("open")
        stream = encode_frame(FRAME) + encode_frame(FRAME, port=2)
        tnc.say(stream[:10])
        tnc.say(stream[10:])
        await heard.until_heard(2)
    assert heard.payloads == [b"\x00" + FRAME, b"\x20" + FRAME]
    assert [(one.source, one.wire) for one in heard.receptions] == [("s", "kiss")] * 2
    assert all(one.heard_at_ms % 1000 == 0 and one.heard_at_ms > 0 for one in heard.receptions)
    assert heard.source.state.receptions == 2
    assert heard.source.state.bytes == len(stream)
    assert heard.names[:2] == ["connecting", "open"]


async def test_garbage_is_kept_and_oversize_is_counted() -> None:
    async with tcp_counterpart(b"welcome") as tnc, listening(spec("kiss-tcp", tnc.port)) as heard:
        await heard.until_heard(1)
        tnc.say(b"\xc0" + b"x" * 5000 + encode_frame(FRAME))
        await heard.until_heard(2)
    assert heard.payloads == [b"welcome", b"\x00" + FRAME]
    assert heard.source.state.dropped == 1


async def test_lines_arrive_without_their_ends() -> None:
    async with tcp_counterpart() as tnc, listening(spec("tnc2-tcp", tnc.port)) as heard:
        await heard.until_state("open")
        tnc.say(LINE + b"\r\n\r\n" + b"x" * (LINE_BYTES + 1) + b"\n" + b"\xff rubbish\n" + LINE)
        await heard.until_heard(2)
        tnc.hang_up()
        await heard.until(lambda: "failed" in heard.names)
        await heard.until(lambda: heard.names[-1] == "open")
    assert heard.payloads == [LINE, b"\xff rubbish"]
    assert heard.source.state.dropped == 2  # the long line, and the last one, cut by the end


async def test_internet_login_and_remarks() -> None:
    greeting = b"# server 1.0\r\n"
    internet = {"callsign": "n0call-1", "filter": "r/46.8/-100.8/300", "enabled": True}
    async with (
        tcp_counterpart(greeting) as server,
        listening(spec("aprs-is", server.port, **internet)) as heard,
    ):
        await server.until(lambda: b"\r\n" in server.told)
        server.say(b"# logresp N0CALL-1 unverified, server T2TEST\r\n" + LINE + b"\r\n")
        server.say(b"# server 1.0 still here\r\n")
        await heard.until_heard(1)
        await heard.until_state("open", "logresp N0CALL-1 unverified")
        server.hang_up()
        await heard.until_state("failed", "its last remark: logresp N0CALL-1 unverified")
    words = bytes(server.told).split(b"\r\n")[0].decode().split()
    assert words[:6] == ["user", "N0CALL-1", "pass", "-1", "vers", "leeward"]
    assert words[7:] == ["filter", "r/46.8/-100.8/300"]
    assert heard.payloads == [LINE]


async def test_passcode_is_sent_but_never_shown() -> None:
    internet = {"callsign": "N0CALL", "passcode": 12345, "enabled": True}
    async with (
        tcp_counterpart() as server,
        listening(spec("aprs-is", server.port, **internet)) as heard,
    ):
        await server.until(lambda: b"\r\n" in server.told)
        await server.stop()
        await heard.until_state("failed")
        await server.start()
    assert b" pass 12345 " in server.told
    assert not any("12345" in (state.reason or "") for state in heard.states)


async def test_internet_that_is_off_is_not_called() -> None:
    async with tcp_counterpart() as server:
        off = spec("aprs-is", server.port, callsign="N0CALL")
        states: list[SourceState] = []
        source = Source(off, lambda _: None, clock=lambda: 1.0, on_state=states.append)
        await asyncio.wait_for(source.run(), 20)
        assert server.calls == 0
    assert [state.state for state in states] == ["off"]


async def test_comes_back_after_any_number_of_losses() -> None:
    async with tcp_counterpart() as server, listening(spec("nmea-tcp", server.port)) as heard:
        for round_number in range(1, 4):
            await server.until_called(round_number)
            await heard.until_state("open")
            server.say(b"$GPGSA,*00\r\n")
            await heard.until_heard(round_number)
            await server.stop()
            await heard.until_state("failed")
            await server.start()
        await heard.until_state("open")
    assert heard.names == ["connecting", "open", *["failed", "open"] * 3]


async def test_refused_connection_says_what_to_do_and_since_when() -> None:
    async with tcp_counterpart() as server:
        await server.stop()
        async with listening(spec("kiss-tcp", server.port)) as heard:
            await heard.until(lambda: len(heard.states) > 4)
            failed = [state for state in heard.states if state.state == "failed"]
            assert "refused the connection; start the program" in (failed[0].reason or "")
            assert {state.since_s for state in failed} == {failed[0].since_s}
        await server.start()


async def test_silent_source_becomes_quiet_and_open_again() -> None:
    async with tcp_counterpart() as tnc:
        async with listening(spec("tnc2-tcp", tnc.port, quiet_after_s=0.05)) as heard:
            await heard.until_state("quiet", "open but silent")
            tnc.say(LINE + b"\n")
            await heard.until_heard(1)
            await heard.until_state("quiet")
        assert tnc.calls == 1
    assert heard.names == ["connecting", "open", "quiet", "open", "quiet"]


async def test_one_silent_and_one_chatty_source_do_not_stall_a_third() -> None:
    async with (
        tcp_counterpart() as silent,
        tcp_counterpart() as chatty,
        tcp_counterpart() as third,
        listening(spec("kiss-tcp", silent.port)) as nothing,
        listening(spec("tnc2-tcp", chatty.port)) as much,
        listening(spec("tnc2-tcp", third.port)) as heard,
    ):
        await nothing.until_state("open")
        await much.until_state("open")
        await heard.until_state("open")
        chatty.say((LINE + b"\n") * 20_000)
        await much.until_heard(1)
        third.say(LINE + b"\n")
        await heard.until_heard(1)
        assert len(much.receptions) < 20_000
        await much.until_heard(20_000)


async def test_source_whose_data_never_waits_lets_others_speak(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    class Torrent:
        dropped, reads = 0, 0

        async def read(self) -> bytes:
            self.reads += 1
            if self.reads > 5_000:
                await asyncio.Event().wait()
            return LINE + b"\n"

        async def write(self, data: bytes) -> None: ...

        def close(self) -> None: ...

    torrent = Torrent()

    async def open_torrent(_: SourceSpec) -> Torrent:
        return torrent

    monkeypatch.setattr(source_module, "open_connection", open_torrent)
    async with listening(spec("tnc2-tcp", 1)) as heard:
        await heard.until_heard(1)
        assert torrent.reads < 5_000
        await heard.until_heard(5_000)


async def test_what_deliver_raises_is_not_the_sources() -> None:
    async with tcp_counterpart(LINE + b"\n") as server:

        def full(reception: object) -> None:
            raise OSError("disk full")

        source = Source(
            spec("tnc2-tcp", server.port), full, clock=lambda: 1.0, on_state=lambda _: None
        )
        with pytest.raises(OSError, match="disk full"):
            await asyncio.wait_for(source.run(), 20)


@pytest.mark.parametrize("host", ["no-such-host.invalid", "a" * 70 + ".invalid", "..."])
async def test_name_that_is_not_known(host: str) -> None:
    nowhere = SourceSpec("s", "kiss-tcp", host=host)
    async with listening(nowhere, SHORT) as heard:
        await heard.until_state("failed")
    assert "name" in (heard.source.state.reason or "")
