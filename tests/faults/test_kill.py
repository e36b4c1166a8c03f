"""kill -9 at random moments under load: nothing acknowledged is lost, and the state is the same.

A few kills here; a hundred with `LEEWARD_ROUNDS=100 pytest tests/faults/test_kill.py`.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import random
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import httpx
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from server.flight.inputs import Tick
from server.flight.mission import Mission
from server.flight.times import parse_time
from server.journal.database import Journal
from server.plan.file import load
from server.sync.ledger import Ledger
from tests.faults.rounds import rounds
from tests.screen.serving import until
from tests.seen import shown
from tests.session.running import Running, Tnc, leeward
from tests.session.test_live import PLAN, TNC, beacon, comparable, line_at, shift_to_now
from tests.sync.made import carry, contents, ledger

STEP_S = 2.0  # of the flight, between two packets


async def load_it(
    running: Running, tnc: Tnc, steps: itertools.count[int], shift_s: float, acknowledged: set[int]
) -> None:
    """Packets and a phone's posts as fast as they go; numbers that were acknowledged."""

    async def post() -> None:
        with contextlib.suppress(httpx.HTTPError):
            while True:
                number = await beacon(running.address, STEP_S * next(steps), shift_s)
                acknowledged.add(number)

    async def send() -> None:
        while True:
            for _ in range(5):
                await tnc.send(line_at(STEP_S * next(steps), shift_s))
            await asyncio.sleep(0.005)

    await asyncio.gather(post(), post(), send())


def more(acknowledged: set[int], count: int) -> bool:
    return len(acknowledged) > count


def settled() -> Callable[[dict[str, Any]], bool]:
    """Holds when three states in a row have the same number: the TNC has nothing more to say."""
    seen: list[int] = []

    def holds(state: dict[str, Any]) -> bool:
        seen.append(state["number"])
        return state["track"] is not None and len(set(seen[-3:])) == 1 and len(seen) >= 3

    return holds


async def test_killed_at_random_moments_it_loses_nothing(tmp_path: Path) -> None:
    chance = random.Random(20_260_606)
    plan = tmp_path / "tern.toml"
    acknowledged: set[int] = set()
    steps = itertools.count()
    shift_s = shift_to_now(3_000.0)
    async with Tnc() as tnc:
        station = '[station]\nname = "car-1"\n'
        plan.write_text(PLAN + TNC.format(port=tnc.port) + station)
        for _ in range(rounds(6)):
            async with leeward("live", str(plan)) as running:
                before = len(acknowledged)
                task = asyncio.ensure_future(load_it(running, tnc, steps, shift_s, acknowledged))
                await until(partial(more, acknowledged, before))
                await asyncio.sleep(chance.uniform(0.0, 0.4))
                await running.kill()
                task.cancel()
                await asyncio.gather(task, return_exceptions=True)
        async with leeward("live", str(plan)) as running:
            after = await running.until(settled())
            assert await running.end() == 0
    with Journal(plan.with_suffix(".sqlite3")) as journal:
        kept = list(journal.receptions())
        assert journal.damage() is None
        numbers = {number for number, reception in kept if reception.wire == "phone"}
        assert acknowledged <= numbers
        assert len(acknowledged) > rounds(6)
        uninterrupted = Mission(load(plan).for_flight())
        # in batches, as a station takes them: here minutes pass within seconds, which looks like a
        # clock that wanders, and each step of it is read out of all that was heard
        heard = [reception for _, reception in kept]
        for first in range(0, len(heard), 400):
            uninterrupted.receive(heard[first : first + 400])
        uninterrupted.apply(Tick(parse_time(after["now"]) / 1000.0))
        assert after["number"] == len(kept)
        wanted = comparable(shown(uninterrupted))
        assert comparable(after) == wanted
        # and the lanes that other stations get are whole as well
        held = Ledger(journal, Ed25519PrivateKey.generate(), "car-1")
        taker = ledger("car-2")
        carry(held, taker)
        assert contents(taker) == contents(held)
