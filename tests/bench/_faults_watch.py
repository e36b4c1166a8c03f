"""A station under watch: a packet of the payload ten times a second, and what becomes of each.

A row of the table of faults runs in one. `held_s` is the longest that a packet took from the TNC's port
until the station's answer counted it (asked twenty times a second, so an answer that comes late counts too);
`lost`, packets that the journal has not in the end; `said`, kinds of problems, and the words of sources and
links.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import math
import os
import re
import time
from collections.abc import AsyncIterator, Callable, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx

from server.flight.inputs import Reception
from server.journal.database import Journal
from tests.session.running import Running, Tnc, leeward
from tests.session.test_live import PLAN, TNC, line_at, shift_to_now
from tests.sync.made import KEY

FLIGHT = "Tern test"  # of the plan
EVERY_S, ASK_S = 0.1, 0.05
FLOWN_S = 2_000.0
PATIENCE_S = 60.0
_MARK = re.compile(rb"mark(\d+)z")


def named(name: str, peer: str = "", port: int | str = "") -> str:
    """What a plan says of its own station and of another; without a port that one calls."""
    told = f'[station]\nname = "{name}"\n'
    if peer:
        told += f'[[peers]]\nname = "{peer}"\nkey = "{KEY}"\n'
    return told + (f'address = "127.0.0.1:{port}"\n' if port else "")


@dataclass
class Row:
    """What one fault came to."""

    times: int
    sent: int = 0
    lost: int = 0
    held_s: float = 0.0
    said: set[str] = field(default_factory=set)
    measured: dict[str, float] = field(default_factory=dict)

    def figures(self) -> dict[str, Any]:
        measured = [f"{name} {value:,.4g}" for name, value in self.measured.items()]
        return {
            "times": self.times,
            "sent": self.sent,
            "lost": self.lost,
            "held_s": round(self.held_s, 2),
            "said": "; ".join([*sorted(self.said), *measured]) or "nothing",
        }


class Watch:
    """Sends, asks, and counts. `row` grows while it runs."""

    def __init__(self, row: Row, folder: Path, journal: Path | None, first: int) -> None:
        """`first`: number of its first packet."""
        self.row, self.folder, self._first = row, folder, first
        self.plan = folder / "tern.toml"
        self.journal = journal or self.plan.with_suffix(".sqlite3")
        self.tnc = Tnc()
        self.state: dict[str, Any] = {}
        self._sent_s: list[float] = []
        self._sent_before = 0  # to the process that ran before
        self._shift_s = shift_to_now(FLOWN_S)
        self._began_s = time.monotonic()
        self._seen = 0

    def write_plan(self, more: str = "") -> None:
        """`more`: sources, station, peers, broker."""
        sources = TNC.format(port=self.tnc.port).replace('"tnc"', '"probe"')
        self.plan.write_text(PLAN + sources + more)

    @contextlib.asynccontextmanager
    async def station(self) -> AsyncIterator[Running]:
        """`leeward live` with a packet every tenth of a second; at the end all of them have come."""
        self._sent_before, self._seen, self.state = len(self._sent_s), 0, {}
        arguments = ("live", str(self.plan), "--journal", str(self.journal))
        async with leeward(*arguments) as running, asyncio.TaskGroup() as tasks:
            sending = tasks.create_task(self._send())
            asking = tasks.create_task(self._ask(running.address))
            try:
                yield running
                sending.cancel()
                await self.until(lambda _: self._seen >= self._sent_here)
            finally:
                sending.cancel()
                asking.cancel()
            await running.end()

    @property
    def _sent_here(self) -> int:
        return len(self._sent_s) - self._sent_before

    async def until(self, holds: Callable[[dict[str, Any]], object]) -> None:
        """Wait for a state."""
        async with asyncio.timeout(PATIENCE_S):
            while not (self.state and holds(self.state)):  # noqa: ASYNC110 - nothing announces it
                await asyncio.sleep(0.02)

    async def more(self, packets: int = 20) -> None:
        """Go on until so many more packets were sent and heard."""
        wanted = self._sent_here + packets
        await self.until(lambda _: self._seen >= wanted)

    @property
    def sent(self) -> set[int]:
        """Numbers of packets, by all processes so far."""
        return set(range(self._first, self._first + len(self._sent_s)))

    def kept(self, station: str = "") -> set[int]:
        """Which packets of a station's TNC the journal holds; "" where stations have no names."""
        with Journal(self.journal, read_only=True) as journal:
            return marks((one for _, one in journal.receptions()), station)

    def count_lost(self, station: str = "") -> None:
        """What the journal holds in the end, of what was sent."""
        kept = self.kept(station)
        self.row.sent += len(self.sent)
        self.row.lost += len(self.sent - kept)

    async def _send(self) -> None:
        for _ in itertools.count():
            number = len(self._sent_s)
            at_s = FLOWN_S + time.monotonic() - self._began_s
            line = line_at(at_s, self._shift_s) + f" mark{self._first + number}z".encode()
            self._sent_s.append(math.inf)
            await self.tnc.send(line)
            self._sent_s[number] = time.monotonic()
            await asyncio.sleep(EVERY_S)

    async def _ask(self, address: str) -> None:
        async with httpx.AsyncClient(base_url=address, timeout=PATIENCE_S) as client:
            while True:
                with contextlib.suppress(httpx.HTTPError, ValueError):
                    self._note((await client.get("/api/state")).json())
                await asyncio.sleep(ASK_S)

    def _note(self, state: dict[str, Any]) -> None:
        now_s = time.monotonic()
        sources = {one["name"]: one for one in [*state["sources"], *state["links"]]}
        seen = sources["probe"]["receptions"]
        for number in range(self._seen, min(seen, self._sent_here)):
            held_s = now_s - self._sent_s[self._sent_before + number]
            self.row.held_s = max(self.row.held_s, held_s)
        self._seen, self.state = seen, state
        self.row.said |= {problem["kind"] for problem in state["problems"]}
        for name, one in sources.items():
            if one["state"] == "failed" or (one["kind"] in ("peer", "mqtt") and one["reason"]):
                self.row.said.add(f"{name}: {_without_figures(one['reason'] or '')}")


def marks(receptions: Iterable[Reception], station: str = "") -> set[int]:
    """Which of the packets under watch are among them."""
    source = f"{station}/probe" if station else "probe"
    found = (_MARK.search(one.payload) for one in receptions if one.source == source)
    return {int(mark[1]) for mark in found if mark}


def _without_figures(reason: str) -> str:
    """One sentence for the same thing, whatever its ports, times and counts."""
    return re.sub(r"\d[\d,.:]*", "N", reason)[:90]


@contextlib.contextmanager
def environment(**values: str) -> Iterator[None]:
    """For the processes that are started inside."""
    before = {name: os.environ.get(name) for name in values}
    os.environ.update(values)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


@contextlib.asynccontextmanager
async def watched(
    row: Row, folder: Path, journal: Path | None = None, first: int = 0
) -> AsyncIterator[Watch]:
    await asyncio.to_thread(folder.mkdir, parents=True, exist_ok=True)
    watch = Watch(row, folder, journal, first)
    async with watch.tnc:
        watch.write_plan()
        yield watch
