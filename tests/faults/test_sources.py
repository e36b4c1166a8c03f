"""Sources that go mad, mute or missing: the station hears the others, and is itself none the worse."""

from __future__ import annotations

import asyncio
import contextlib
import os
import random
from collections.abc import AsyncIterator, Awaitable, Callable
from functools import partial
from pathlib import Path
from typing import Any

from server.journal.database import Journal
from server.sources.connection import CHUNK_BYTES
from server.sources.source import BURST_PACKETS
from tests.session.running import Running, Tnc, kiss, leeward
from tests.session.test_live import PLAN, TNC, line_at, shift_to_now

MADE = random.Random(7).randbytes(1 << 20)
MOST_GROWTH_KB = 150_000


def memory_kb(running: Running) -> int:
    """Resident memory of the process (proc(5))."""
    for line in Path(f"/proc/{running.process.pid}/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1])
    raise AssertionError("no VmRSS")


def _fixes_are(count: int, state: dict[str, Any]) -> bool:
    fixes: int = state["trackers"][0]["fixes"]
    return fixes == count


def source(state: dict[str, Any], name: str) -> dict[str, Any]:
    return next(s for s in state["sources"] if s["name"] == name)


@contextlib.asynccontextmanager
async def answering(
    speak: Callable[[asyncio.StreamWriter], Awaitable[None]],
) -> AsyncIterator[int]:
    """A server on a port, which leaves no line behind."""
    lines: list[asyncio.Task[Any]] = []

    async def answer(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        line = asyncio.current_task()
        assert line is not None
        lines.append(line)
        with contextlib.suppress(OSError, asyncio.CancelledError):
            await speak(writer)
        writer.transport.abort()
        with contextlib.suppress(OSError):
            await writer.wait_closed()

    server = await asyncio.start_server(answer, "127.0.0.1", 0)
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()
        for line in lines:
            line.cancel()
        await asyncio.gather(*lines, return_exceptions=True)


async def test_a_tnc_that_sends_garbage_at_full_speed(tmp_path: Path) -> None:
    sent = 0

    async def garbage(writer: asyncio.StreamWriter) -> None:
        nonlocal sent
        while True:
            start = sent % (1 << 19)
            writer.write(MADE[start : start + 65_536])
            await writer.drain()
            sent += 65_536

    plan = tmp_path / "tern.toml"
    shift_s = shift_to_now(3_000.0)
    async with answering(garbage) as port, Tnc() as tnc:
        second = TNC.format(port=port).replace('"tnc"', '"mad"')
        plan.write_text(PLAN + TNC.format(port=tnc.port) + second)
        async with leeward("live", str(plan)) as running:
            before_kb = memory_kb(running)
            state = await running.until(
                lambda s: "more than any radio" in (source(s, "mad")["reason"] or "")
            )
            for i in range(40):
                await tnc.send(line_at(30.0 * i, shift_s))
            state = await running.until(lambda s: s["trackers"][0]["fixes"] == 40)
            assert state["receptions"]["undecodable"] > 100, "garbage is kept, and counted"
            assert memory_kb(running) - before_kb < MOST_GROWTH_KB
            assert await running.end() == 0
    with Journal(tmp_path / "tern.sqlite3", read_only=True) as journal:
        kept = [r for _, r in journal.receptions() if r.source == "mad"]
    taken = sum(len(r.payload) for r in kept)
    assert taken < sent, "what is not read waits at the other end"
    assert taken < 12_000_000, "no disk fills up"


async def test_more_packets_than_any_channel_carries_are_taken_and_told(tmp_path: Path) -> None:
    plan = tmp_path / "tern.toml"
    shift_s = shift_to_now(3_000.0)
    async with Tnc() as mad, Tnc() as tnc:
        second = TNC.format(port=mad.port).replace('"tnc"', '"mad"')
        plan.write_text(PLAN + TNC.format(port=tnc.port) + second)
        async with leeward("live", str(plan)) as running:
            for i in range(4_000):
                await mad.send(f"N0C{i % 300:03d}>APZLWD:>flood {i}".encode())
            state = await running.until(lambda s: source(s, "mad")["receptions"] == 4_000)
            assert "more packets a second" in source(state, "mad")["reason"]
            await tnc.send(line_at(3_000.0, shift_s))
            state = await running.until(lambda s: s["receptions"]["total"] == 4_001)
            assert source(state, "tnc")["reason"] is None
            assert await running.end() == 0


async def test_lines_of_two_bytes_are_bounded_by_their_number(tmp_path: Path) -> None:
    """100,000 of them are 200 kB, which is read within a second where bytes alone are counted."""

    async def lines(writer: asyncio.StreamWriter) -> None:
        while True:
            writer.write(b"a\n" * 10_000)
            await writer.drain()

    plan = tmp_path / "tern.toml"
    async with answering(lines) as port, Tnc() as tnc:
        second = TNC.format(port=port).replace('"tnc"', '"mad"').replace("kiss-tcp", "nmea-tcp")
        plan.write_text(PLAN + TNC.format(port=tnc.port) + second)
        async with leeward("live", str(plan)) as running:
            await running.until(lambda s: "read slowly" in (source(s, "mad")["reason"] or ""))
            await tnc.send(line_at(3_000.0, shift_to_now(3_000.0)))
            state = await running.until(lambda s: s["trackers"][0]["fixes"] == 1)
            assert source(state, "mad")["receptions"] < BURST_PACKETS + 3 * CHUNK_BYTES
            assert await running.end() == 0


async def test_a_source_that_accepts_and_never_speaks(tmp_path: Path) -> None:
    plan = tmp_path / "tern.toml"
    async with answering(lambda writer: asyncio.sleep(3_600)) as port, Tnc() as tnc:
        second = TNC.format(port=port).replace('"tnc"', '"mute"') + "quiet_after_s = 0.2\n"
        plan.write_text(PLAN + TNC.format(port=tnc.port) + second)
        async with leeward("live", str(plan)) as running:
            state = await running.until(lambda s: source(s, "mute")["state"] == "quiet")
            assert "open but silent" in source(state, "mute")["reason"]
            await tnc.send(line_at(3_000.0, shift_to_now(3_000.0)))
            await running.until(lambda s: s["receptions"]["total"] == 1)
            assert await running.end() == 0


async def test_a_serial_line_pulled_and_put_back(tmp_path: Path) -> None:
    device = tmp_path / "tnc"
    shift_s = shift_to_now(3_000.0)
    plan = tmp_path / "tern.toml"
    plan.write_text(
        PLAN
        + f'[[sources]]\nname = "tnc"\nkind = "kiss-serial"\ndevice = "{device}"\nbaud = 9600\n'
    )
    heard = 0
    async with leeward("live", str(plan)) as running:
        for _ in range(3):
            await running.until(lambda s: source(s, "tnc")["state"] == "failed")
            master, slave = os.openpty()
            device.symlink_to(os.ttyname(slave))
            await running.until(lambda s: source(s, "tnc")["state"] in ("open", "quiet"))
            os.write(master, kiss(line_at(30.0 * heard, shift_s)))
            heard += 1
            await running.until(partial(_fixes_are, heard))
            device.unlink()
            os.close(slave)
            os.close(master)  # pulled
        state = await running.until(lambda s: source(s, "tnc")["state"] == "failed")
        assert "tnc" in source(state, "tnc")["reason"]
        assert await running.end() == 0
