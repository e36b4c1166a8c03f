"""An unexpected error in what runs beside reception is logged and told, and reception goes on."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from pathlib import Path

import pytest

from server.commands.sharing import Peering, open_ledger
from server.flight.inputs import Reception
from server.flight.mission import Mission
from server.journal.database import Journal
from server.plan import edits as plan_watch
from server.plan.edits import watch_plan
from server.plan.file import load
from server.session import side_tasks
from server.session.side_tasks import SideTask, SideTasks
from server.session.station import Station
from server.sources.source import Source
from server.sync import broker, peers
from tests.flights import T0, packet

PATIENCE_S = 30.0
PLAN = """
[flight]
name = "tern-7"
[station]
name = "car-1"
[[trackers]]
name = "Main"
callsign = "N0CALL-11"
[[sources]]
name = "tnc"
kind = "kiss-tcp"
host = "127.0.0.1"
port = 9
[[peers]]
name = "car-2"
key = "a key of some length, made up"
address = "127.0.0.1:9"
[[peers]]
name = "car-3"
key = "another key, made up as well"
address = "127.0.0.1:9"
[mqtt]
host = "127.0.0.1"
port = 9
key = "a key of some length, made up"
tls = false
"""


class Fault:
    """Raises what nobody has thought of, and counts how often."""

    def __init__(self) -> None:
        self.raised = 0

    def __call__(self, *_: object, **__: object) -> None:
        self.raised += 1
        raise LookupError("a fault that nobody thought of")


@contextlib.asynccontextmanager
async def running(folder: Path) -> AsyncIterator[Station]:
    """A station with all that `leeward live` runs beside it."""
    path = folder / "plan.toml"
    path.write_text(PLAN)
    plan = load(path)
    ledger = open_ledger(plan, Journal(folder / "plan.sqlite3"))
    assert ledger is not None

    def clock() -> float:
        return T0 + 600.0

    specs = plan.source_specs(folder)
    station = Station(Mission(plan.for_flight(())), ledger, specs, clock)
    links = Peering(plan, folder, ledger, station, clock)
    watching = SideTask(
        "The watch on the plan", lambda: watch_plan(path, plan, lambda _: None, every_s=0.0)
    )
    task = asyncio.ensure_future(station.run(watching, *links.work))
    try:
        yield station
        assert not task.done(), "it goes on"
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        station.close()


async def until(station: Station, holds: Callable[[], bool]) -> None:
    changed = asyncio.Event()
    stop = station.subscribe(changed.set)
    async with asyncio.timeout(PATIENCE_S):
        while not holds():
            changed.clear()
            await changed.wait()
    stop()


def heard(elapsed_s: float) -> Reception:
    return packet(elapsed_s, source="tnc")


async def receives(station: Station, elapsed_s: float) -> None:
    """What is delivered now is in the state soon."""
    before = station.mission.counts.total
    station.deliver(heard(elapsed_s))
    await until(station, lambda: station.mission.counts.total == before + 1)


@pytest.mark.parametrize(
    ("owner", "name", "what"),
    [
        (plan_watch, "_stamp", "The watch on the plan"),
        (peers, "calling", "The link to car-2"),
        (broker.Broker, "_client", "The link to the broker"),
        (Source, "run", "The source tnc"),
        (Station, "keep_landing", "The landing's prediction"),
    ],
)
async def test_reception_goes_on_whatever_fails_beside_it(
    owner: object,
    name: str,
    what: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    monkeypatch.setattr(side_tasks, "PAUSE_S", 0.01)
    fault = Fault()
    monkeypatch.setattr(owner, name, fault)
    async with running(tmp_path) as station:
        await receives(station, 30.0)
        await until(station, lambda: any(p.name == what for p in station.state().problems))
        seen = fault.raised
        await until(station, lambda: fault.raised > seen)  # it is begun again
        await receives(station, 60.0)
        (told,) = [p for p in station.state().problems if p.name == what]
        assert (told.kind, told.detail) == ("task_failed", "LookupError")
        assert station.state().flights[0].trackers[0].heard == 2
    logged = [r for r in caplog.records if r.getMessage().startswith(what)]
    assert len(logged) == 1, "once, however often it fails"
    assert logged[0].exc_info is not None


async def test_what_works_again_is_told_no_more(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(side_tasks, "PAUSE_S", 0.0)
    monkeypatch.setattr(side_tasks, "STEADY_S", 0.0)
    changed = asyncio.Event()
    tasks = SideTasks(changed.set)
    begun = 0

    async def fails_once() -> None:
        nonlocal begun
        begun += 1
        if begun == 1:
            raise ExceptionGroup("of a task group", [KeyError("x")])
        await asyncio.Event().wait()

    task = asyncio.ensure_future(tasks.keep(SideTask("It", fails_once)))
    try:
        async with asyncio.timeout(PATIENCE_S):
            await changed.wait()
            assert [(p.name, p.detail) for p in tasks.problems] == [("It", "KeyError")]
            while tasks.problems:
                changed.clear()
                await changed.wait()
        assert begun == 2
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def test_one_that_returns_is_not_begun_again() -> None:
    tasks, begun = SideTasks(lambda: None), 0

    async def returns() -> None:
        nonlocal begun
        begun += 1

    await tasks.keep(SideTask("It", returns))
    assert (begun, tasks.problems) == (1, [])
