"""What `leeward check` says of a source."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from server.sources import ProbeResult, SourceSpec, probe
from tests.sources.listening import Cable, tcp_counterpart

LINE = b"N0CALL-11>APRS:!4903.50N/07201.75W-\n"
PATIENCE_S = 20.0


@pytest.mark.parametrize(
    ("greeting", "words"),
    [
        (LINE, "heard N0CALL-11 at 49.0583, -72.0292"),
        (b"N0CALL-11>APRS:>up\n", "heard N0CALL-11"),
        (b"rubbish\n" + LINE, "heard N0CALL-11 at"),
        (LINE.replace(b">APRS", b">APRS,qAR,A-LONG-GATE-1"), "odd name: 'A-LONG-GATE-1')"),
    ],
)
async def test_what_was_heard(greeting: bytes, words: str) -> None:
    async with tcp_counterpart(greeting) as server:
        spec = SourceSpec("s", "tnc2-tcp", host="127.0.0.1", port=server.port)
        result = await probe(spec, PATIENCE_S, clock=lambda: 1.7e9)
    assert result.ok
    assert result.receptions == greeting.count(b"\n")
    assert words in result.words


async def test_rubbish_alone() -> None:
    async with tcp_counterpart(b"rubbish\n") as server:
        spec = SourceSpec("s", "tnc2-tcp", host="127.0.0.1", port=server.port)
        result = await probe(spec, 0.5)
    assert "cannot be read: no ':'" in result.words


async def test_wrong_baud_rate_is_suggested(tmp_path: Path) -> None:
    cable = Cable(tmp_path / "ttyTEST")
    cable.plug_in()

    async def keep_talking() -> None:
        while True:  # what comes before the port is open is flushed away
            cable.say(b"\x86\x1f\xfe" * 5)
            await asyncio.sleep(0.01)

    talking = asyncio.create_task(keep_talking())
    try:
        result = await probe(SourceSpec("s", "kiss-serial", device=str(cable.path)), 1.5)
    finally:
        talking.cancel()
        cable.unplug()
    assert "check the baud rate" in result.words


async def test_open_but_silent() -> None:
    async with tcp_counterpart() as server:
        spec = SourceSpec("s", "kiss-tcp", port=server.port)
        result = await probe(spec, 0.2)
    assert result.ok
    assert "is open, but nothing was heard in 0.2 s" in result.words


async def test_refused() -> None:
    async with tcp_counterpart() as server:
        await server.stop()
        result = await probe(SourceSpec("s", "kiss-tcp", port=server.port), PATIENCE_S)
        await server.start()
    assert not result.ok
    assert "refused the connection" in result.words
    assert "next try" not in result.words


async def test_nothing_to_try() -> None:
    off = SourceSpec("net", "aprs-is", host="127.0.0.1", callsign="N0CALL")
    assert await probe(off, 1.0) == ProbeResult("net", True, "switched off in the plan")
    assert (await probe(SourceSpec("phone", "phone"), 1.0)).ok


async def test_several_at_once_and_no_task_is_left() -> None:
    async with tcp_counterpart(LINE) as server:
        spec = SourceSpec("s", "tnc2-tcp", host="127.0.0.1", port=server.port)
        results = await asyncio.gather(*(probe(spec, PATIENCE_S) for _ in range(5)))
        assert all(result.ok for result in results)
        left = [t for t in asyncio.all_tasks() if "Source" in repr(t.get_coro())]
    assert left == []
