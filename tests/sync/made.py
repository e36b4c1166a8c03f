"""Stations in this process, with journals in memory or on disk, that hear parts of the made flight."""

from __future__ import annotations

import asyncio
import contextlib
import sqlite3
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from server.flight.inputs import (
    Command,
    FlightPlan,
    LaunchPlan,
    Plan,
    Reception,
    Tick,
    TrackerPlan,
    VehiclePlan,
)
from server.flight.mission import Mission
from server.journal.database import Journal
from server.sync.entry import pack_chunk, unpack_chunk
from server.sync.ledger import Ledger
from server.sync.peers import Peers
from tests.flights import LAUNCH, T0, made_flight
from tests.seen import shown

PLAN = Plan(
    flights=(
        FlightPlan(
            name="two cars",
            launch=LaunchPlan(*LAUNCH),
            trackers=(TrackerPlan("Main", "N0CALL-11"),),
        ),
    ),
    vehicles=(VehiclePlan("Car 1"), VehiclePlan("Car 2")),
)
T = TypeVar("T")
KEY = "the team's shared key"
PATIENCE_S = 60.0


def heard_by(station: str, part: slice = slice(None)) -> list[Reception]:
    """Packets of the made flight as that station writes them down."""
    return [replace(r, source=f"{station}/tnc") for r in list(made_flight())[part]]


def ledger(name: str, path: Path | str = ":memory:") -> Ledger:
    return Ledger(Journal(path), Ed25519PrivateKey.generate(), name)


def told(name: str, part: slice = slice(None)) -> Ledger:
    """A ledger that holds what that station heard, commit by commit, and a command."""
    made = ledger(name)
    for reception in heard_by(name, part):
        made.append([reception])
    made.append([Command(T0 + 60.0, "vehicle", "Car 2", 38.1, -98.1, name)])
    return made


def state_of(held: Ledger, now_s: float = T0 + 9_100.0) -> dict[str, Any]:
    """The whole state that follows from a ledger's journal, as on every laptop at one moment."""
    flight = Mission(PLAN)
    flight.receive([reception for _, reception in held.receptions()])
    for _, command in held.commands():
        flight.apply(command)
    flight.apply(Tick(now_s))
    return shown(flight)


def contents(held: Ledger) -> list[Reception | Command]:
    """What a journal holds, whatever the order it came in."""
    receptions = sorted(reception for _, reception in held.receptions())
    commands = sorted((c for _, c in held.commands()), key=lambda c: c.order)
    return [*receptions, *commands]


class Host:
    """What stands behind the links of a test: the ledger and a list of what was taken in."""

    def __init__(self, held: Ledger) -> None:
        self.ledger = held
        self.admitted: list[Reception | Command] = []
        self._changed = asyncio.Event()

    async def in_journal(self, work: Callable[[], T]) -> T:
        return work()

    def admit(self, entries: Iterable[Reception | Command]) -> None:
        self.admitted += entries
        self._changed.set()

    def notify(self) -> None:
        self._changed.set()

    async def until(self, holds: Callable[[], bool]) -> None:
        """Wait for changes until it holds."""
        async with asyncio.timeout(PATIENCE_S):
            while not holds():
                self._changed.clear()
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(0.5):
                        await self._changed.wait()


@contextlib.asynccontextmanager
async def running(work: Awaitable[T]) -> AsyncIterator[asyncio.Future[T]]:
    """A coroutine beside the test, ended with it."""
    task = asyncio.ensure_future(work)
    try:
        yield task
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def calling_all(peers: Peers) -> None:
    """Call every peer that has an address, as the station does."""
    async with asyncio.TaskGroup() as tasks:
        for _, call in peers.calls():
            tasks.create_task(call())


def carry(giver: Ledger, taker: Ledger, limit_bytes: int = 24_000) -> int:
    """Give all that the other has not yet; how many entries were new to it."""
    new = 0
    for station, name in giver.names.items():
        taker.introduce(station, name)
    for lane, n in taker.lacks():
        if (chunk := giver.chunk(lane, n - 1, limit_bytes)) is not None:
            new += len(taker.take(unpack_chunk(pack_chunk(chunk))))
    for lane in giver.have():
        while (chunk := giver.chunk(lane, taker.have().get(lane, 0), limit_bytes)) is not None:
            new += len(taker.take(unpack_chunk(pack_chunk(chunk))))
    return new


def flip(path: Path, table: str, number: int, column: str = "payload", bit: int = 3) -> None:
    """One bit of a stored value, as a disk does it: nobody is told."""
    row = "rowid" if table in ("receptions", "commands") else "n"
    with contextlib.closing(sqlite3.connect(path)) as db, db:
        (value,) = db.execute(f"SELECT {column} FROM {table} WHERE {row} = {number}").fetchone()
        turned: Any
        if isinstance(value, int):
            turned = value ^ 1 << bit
        else:
            data = bytearray(value.encode() if isinstance(value, str) else value)
            data[len(data) // 2] ^= 1 << bit
            turned = bytes(data).decode("latin-1") if isinstance(value, str) else bytes(data)
        db.execute(f"UPDATE {table} SET {column} = ? WHERE {row} = {number}", (turned,))
