"""Faults of the computer: killed, without room, with bits that turned, with a clock that was set."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import os
import random
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from server.flight.inputs import Reception
from server.journal.database import Journal
from server.sync.keys import stretched
from server.sync.ledger import Ledger
from server.sync.peers import Peer
from tests.bench._faults_watch import FLIGHT, Row, environment, named, watched
from tests.faults import test_kill
from tests.screen.serving import until
from tests.seen import kinds
from tests.session.running import Tnc, leeward
from tests.session.test_live import PLAN, TNC, shift_to_now
from tests.small_disk import fill, small_disk_at
from tests.sync.cars import Car
from tests.sync.made import KEY, carry, heard_by, ledger

PAGE_BYTES = 4_096
_SHIFTED = """
import os, time
_right = time.time
time.time = lambda: _right() + float(open(os.environ["LEEWARD_CLOCK_OFFSET"]).read())
"""


async def kill(folder: Path, times: int, chance: random.Random) -> Row:
    """kill -9 at random instants, while a TNC and two phones load it; held: until it hears again."""
    row, plan = Row(times), folder / "tern.toml"
    acknowledged: set[int] = set()
    steps, shift_s = itertools.count(), shift_to_now(3_000.0)
    async with Tnc() as tnc:
        plan.write_text(PLAN + TNC.format(port=tnc.port) + named("car-1"))
        for _ in range(times):
            async with leeward("live", str(plan)) as station:
                task = asyncio.ensure_future(
                    test_kill.load_it(station, tnc, steps, shift_s, acknowledged)
                )
                await until(partial(test_kill.more, acknowledged, len(acknowledged)))
                await asyncio.sleep(chance.uniform(0.0, 0.6))
                await station.kill()
                task.cancel()
                await asyncio.gather(task, return_exceptions=True)
            began_s = time.monotonic()
            async with leeward("live", str(plan)) as station:
                state = await station.state()
                row.held_s = max(row.held_s, time.monotonic() - began_s)
                row.said |= set(kinds(state))
                await station.kill()
    with Journal(plan.with_suffix(".sqlite3")) as journal:
        numbers = {n for n, one in journal.receptions() if one.wire == "phone"}
        assert journal.damage() is None
    row.sent, row.lost = len(acknowledged), len(acknowledged - numbers)
    return row


async def full_disk(folder: Path, times: int, chance: random.Random) -> Row:
    """The journal's disk fills in flight, and has room again."""
    row = Row(times)
    with small_disk_at(folder / "disk", 4_096) as disk:
        async with watched(row, folder, disk / "tern.sqlite3") as watch:
            async with watch.station():
                for _ in range(times):
                    await watch.more()
                    ballast = fill(disk)
                    await watch.until(lambda s: "journal_refuses" in kinds(s))
                    await watch.more()
                    ballast.unlink()
                    await watch.until(lambda s: "journal_refuses" not in kinds(s))
            watch.count_lost()
    return row


async def flipped(folder: Path, times: int, chance: random.Random) -> Row:
    """A bit turns in the journal; the other car has what was there. Lost: what is not there in the end."""

    def harm(data: bytearray) -> None:
        data[chance.randrange(100, len(data))] ^= 1 << chance.randrange(8)

    return await _damaged(folder, times, harm)


async def torn(folder: Path, times: int, chance: random.Random) -> Row:
    """A page of the journal is overwritten with noise, likewise."""

    def harm(data: bytearray) -> None:
        at = chance.randrange(3, len(data) // PAGE_BYTES - 1) * PAGE_BYTES
        data[at : at + PAGE_BYTES] = chance.randbytes(PAGE_BYTES)

    return await _damaged(folder, times, harm)


async def _damaged(folder: Path, times: int, harm: Callable[[bytearray], None]) -> Row:
    row, whole = Row(times), folder / "whole.sqlite3"
    given, other = heard_by("car-1"), ledger("car-2")
    with Journal(whole) as journal:
        held = Ledger(journal, Ed25519PrivateKey.generate(), "car-1")
        for first in range(0, len(given), 3):
            held.append(given[first : first + 3])
        carry(held, other)
    base = Car(other, Peer("car-1", stretched(KEY)), flight=FLIGHT)
    wrong = 0
    async with base.listening() as port:
        for number in range(times):
            async with watched(row, folder / str(number)) as watch:
                watch.write_plan(named("car-1", "car-2", port))
                data = bytearray(whole.read_bytes())
                harm(data)
                watch.journal.write_bytes(data)
                async with watch.station():
                    await watch.until(lambda s: any(ln["state"] == "open" for ln in s["links"]))
                    with contextlib.suppress(TimeoutError):
                        await until(lambda: _kept(watch.journal) >= set(given), 20.0)
                watch.count_lost("car-1")
                kept = _kept(watch.journal)
                row.sent += len(given)
                row.lost += len(set(given) - kept)
                wrong += len(kept - set(given))
    row.measured["altered and taken"] = wrong
    return row


def _kept(path: Path) -> set[Reception]:
    with Journal(path, read_only=True) as journal:
        return {one for _, one in journal.receptions() if "probe" not in one.source}


async def clock(folder: Path, times: int, chance: random.Random) -> Row:
    """The computer's clock is set by an hour, back and ahead in turn, while it runs and before a start."""
    row, offset = Row(times), folder / "offset"
    shim = folder / "shim"
    shim.mkdir()
    (shim / "sitecustomize.py").write_text(_SHIFTED)
    path = os.pathsep.join(filter(None, (str(shim), os.environ.get("PYTHONPATH"))))
    for number in range(times):
        offset.write_text("0")
        async with watched(row, folder / str(number)) as watch:
            with environment(PYTHONPATH=path, LEEWARD_CLOCK_OFFSET=str(offset)):
                async with watch.station():
                    await watch.more()
                    offset.write_text("-3600" if number % 2 == 0 else "3600")
                    await watch.more()
                async with watch.station():
                    await watch.more(40)
            watch.count_lost()
    return row
