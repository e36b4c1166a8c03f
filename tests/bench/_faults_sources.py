"""Faults of sources: a line that is pulled, garbage at full speed, more packets than anybody sends."""

from __future__ import annotations

import asyncio
import os
import random
import time
from functools import partial
from pathlib import Path
from typing import Any

from server.journal.database import Journal
from tests.bench._faults_watch import Row, watched
from tests.faults.test_sources import MADE, answering, source
from tests.session.running import Tnc, kiss
from tests.session.test_live import TNC

GARBAGE_BYTES_PER_S = 10_000_000
FLOOD_PER_S, FLOOD_S = 2_000, 5


async def pulled(folder: Path, times: int, chance: random.Random) -> Row:
    """A serial line is pulled and put back; lost: of what was written to it while it was there."""
    row, device = Row(times), folder / "tty"
    async with watched(row, folder) as watch:
        watch.write_plan(
            f'[[sources]]\nname = "serial"\nkind = "kiss-serial"\ndevice = "{device}"\nbaud = 9600\n'
        )
        async with watch.station():
            for number in range(times):
                await watch.until(lambda s: source(s, "serial")["state"] == "failed")
                master, slave = os.openpty()
                device.symlink_to(os.ttyname(slave))
                await watch.until(lambda s: source(s, "serial")["state"] in ("open", "quiet"))
                os.write(master, kiss(f"N0CALL-5>APZLWD:>pulled {number}".encode()))
                await watch.until(partial(_received, "serial", number + 1))
                device.unlink()
                os.close(slave)
                os.close(master)
            await watch.until(lambda s: source(s, "serial")["state"] == "failed")
        watch.count_lost()
        row.sent += times
        row.lost += times - _kept(watch.journal, "serial")
    return row


async def garbage(folder: Path, times: int, chance: random.Random) -> Row:
    """10 MB a second of noise at a TNC's port."""

    async def noise(writer: asyncio.StreamWriter) -> None:
        began_s, sent = time.monotonic(), 0
        while True:
            writer.write(MADE[:65_536])
            await writer.drain()
            sent += 65_536
            ahead_s = sent / GARBAGE_BYTES_PER_S - (time.monotonic() - began_s)
            await asyncio.sleep(max(ahead_s, 0.0))

    row = Row(times)
    for number in range(times):
        async with answering(noise) as port, watched(row, folder / str(number)) as watch:
            watch.write_plan(TNC.format(port=port).replace('"tnc"', '"mad"'))
            async with watch.station():
                await watch.until(
                    lambda s: "more than any radio" in (source(s, "mad")["reason"] or "")
                )
                await watch.more(50)
                row.said.add(source(watch.state, "mad")["reason"][:60])
            watch.count_lost()
    return row


async def flood(folder: Path, times: int, chance: random.Random) -> Row:
    """2,000 packets a second of other senders, for five seconds."""
    row = Row(times)
    for number in range(times):
        async with Tnc() as mad, watched(row, folder / str(number)) as watch:
            watch.write_plan(TNC.format(port=mad.port).replace('"tnc"', '"flood"'))
            async with watch.station():
                began_s, sent = time.monotonic(), 0
                while sent < FLOOD_PER_S * FLOOD_S:
                    due = min(
                        int((time.monotonic() - began_s) * FLOOD_PER_S), FLOOD_PER_S * FLOOD_S
                    )
                    for _ in range(due - sent):
                        await mad.send(f"N0C{sent % 300:03d}>APZLWD:>flood {sent}".encode())
                        sent += 1
                    await asyncio.sleep(0.005)
                await watch.until(partial(_received, "flood", sent))
                row.said.add(str(source(watch.state, "flood")["reason"]))
            watch.count_lost()
            row.sent += sent
            row.lost += sent - _kept(watch.journal, "flood")
    return row


def _received(name: str, count: int, state: dict[str, Any]) -> bool:
    received: int = source(state, name)["receptions"]
    return received >= count


def _kept(path: Path, name: str) -> int:
    with Journal(path, read_only=True) as journal:
        return len({one.payload for _, one in journal.receptions() if one.source == name})
