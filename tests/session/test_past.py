"""A start with a long journal: the page first, the past in slices, and nobody alarmed by half of it."""

from __future__ import annotations

import asyncio
import contextlib
import random
from collections.abc import AsyncIterator, Iterator
from typing import Any
from unittest import mock

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from server.flight.inputs import Command, Reception
from server.flight.mission import Mission
from server.flight.packets import positions
from server.flight.track import advance as advancing
from server.flight.track import track as tracks
from server.journal.database import Journal
from server.session import past as pasts
from server.session import side_tasks
from server.session.past import Past
from server.session.station import Station
from tests.flight.test_slices import ALL_HEARD, LATEST, PLAN, breaks, everything, expected
from tests.flights import T0, made_flight
from tests.seen import kinds, seen
from tests.session.test_station import IN_THE_AIR, until
from tests.sync.made import running

HEARD = list(made_flight(1_200.0))
LATER_S = 2_400.0  # both trackers have been silent for long


async def _read(chance: random.Random, before: int, at_once: int) -> Mission:
    """Everything, in any order: `before` of it in the journal, the rest heard while that is read."""
    mixed = chance.sample(ALL_HEARD, len(ALL_HEARD))
    mission, journal, came = Mission(PLAN), Journal(":memory:"), mixed[before:]
    journal.append(mixed[:before])
    taken: list[Reception | Command] = []

    async def in_journal(work: Any) -> Any:
        count = chance.randint(0, at_once)
        past.hold(came[:count])
        del came[:count]
        past.tick(LATEST.now_s - chance.uniform(0.0, 1_000.0))
        return work()

    past = Past(mission, journal, in_journal)
    with mock.patch.object(pasts, "READ_AT_ONCE", at_once):
        await past.read(lambda: None, taken.extend)
    assert not past.reading
    mission.book([*taken, *came, LATEST])
    mission.settle()
    return mission


@given(st.randoms(use_true_random=False), st.integers(0, len(ALL_HEARD)), st.integers(1, 90))
@example(random.Random(1), len(ALL_HEARD), 7)
@settings(max_examples=4, deadline=None)
def test_however_it_is_read_the_state_is_that_of_one_go(
    chance: random.Random, before: int, at_once: int
) -> None:
    with mock.patch.object(positions, "fix_of", breaks):
        assert everything(asyncio.run(_read(chance, before, at_once))) == expected()


async def test_no_turn_of_the_loop_takes_much_and_nothing_is_run_twice() -> None:
    journal, mission = Journal(":memory:"), Mission(IN_THE_AIR)
    journal.append(random.Random(1).sample(HEARD, len(HEARD)))
    booked: list[int] = []
    steps: list[int] = []
    runs = 0
    real_book, real_work, real_advance = mission.book, mission.work, advancing.advance

    def book(given: list[Any]) -> None:
        booked.append(len(given))
        real_book(given)

    def work(most: int) -> bool:
        assert sum(booked) == len(HEARD), "all is sorted before the tracks are run"
        steps.append(most)
        return real_work(most)

    def advance(*given: Any) -> Any:
        nonlocal runs
        runs += 1
        return real_advance(*given)

    async def in_journal(work: Any) -> Any:
        return work()

    with (
        mock.patch.object(mission, "book", book),
        mock.patch.object(mission, "work", work),
        mock.patch.object(tracks, "advance", advance),
    ):
        await Past(mission, journal, in_journal).read(lambda: None, lambda _: None)
    assert max(booked) <= 16, "a millisecond"
    assert max(steps) <= 4
    assert runs == len(mission.flights[0].track.records()) == len(HEARD), "each fix once"


class Slow(Journal):
    """Gives what it holds when it is let, and fails when it is told to."""

    def __init__(self) -> None:
        super().__init__(":memory:")
        self.append(HEARD)
        self.fails = False

    def receptions(self, *given: Any, **named: Any) -> Iterator[tuple[int, Reception]]:
        for number, one in super().receptions(*given, **named):
            if self.fails:
                raise LookupError("a fault that nobody thought of")
            yield number, one


@contextlib.asynccontextmanager
async def starting(journal: Slow) -> AsyncIterator[tuple[Station, asyncio.Event]]:
    """Its tracks are run when the event is set: until then the past is booked, and half of it is known."""
    station = Station(Mission(IN_THE_AIR), journal, (), lambda: HEARD[0].heard_at_s + LATER_S)
    go_on = asyncio.Event()
    real = station.mission.work

    def work(steps: int) -> bool:
        return real(steps) if go_on.is_set() else True

    with contextlib.closing(station), mock.patch.object(station.mission, "work", work):
        async with running(station.run()):
            yield station, go_on


async def test_half_a_past_alarms_nobody_and_is_no_prediction() -> None:
    journal = Slow()
    async with starting(journal) as (station, go_on):
        await until(station, lambda: station.state().number > 0)
        half = seen(station.state())
        assert kinds(half) == ["journal_read"]
        assert 0 < half["problems"][0]["count"] < 100
        assert (half["alarms"], half["landing"]) == ([], None)
        new = HEARD[-1]
        new = Reception(new.heard_at_ms + 60_000, "tnc", new.wire, new.payload + b" later")
        station.deliver(new)
        number = len(HEARD) + 1
        while journal.last_number() < number:  # noqa: ASYNC110 - another thread writes
            await asyncio.sleep(0)
        assert kinds(seen(station.state())) == ["journal_read"], "on disk before all is read"
        go_on.set()
        await until(station, lambda: station.state().number == number)
        await until(station, lambda: seen(station.state())["landing"] is not None)
        whole = seen(station.state())
        assert kinds(whole) == []
        assert "tracker_lost" in kinds(whole, "alarms")
        in_one_go = Mission(IN_THE_AIR)
        in_one_go.receive([*HEARD, new])
        in_one_go.book([LATEST])
        records = station.mission.flights[0].track.records()
        assert records == in_one_go.flights[0].track.records()


async def test_a_past_that_cannot_be_read_holds_nothing_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """It is told and tried again; what is heard meanwhile is shown, and alarms sound."""
    monkeypatch.setattr(side_tasks, "PAUSE_S", 0.01)
    journal = Slow()
    station = Station(Mission(IN_THE_AIR), journal, (), lambda: HEARD[-1].heard_at_s + LATER_S)
    journal.fails = True
    with contextlib.closing(station):
        async with running(station.run()):
            await until(station, lambda: "task_failed" in kinds(seen(station.state())))
            station.deliver(
                Reception(HEARD[-1].heard_at_ms + 1, "tnc", "tnc2", b"N0CALL-11>X:> here")
            )
            await until(station, lambda: station.state().number == 1)
            await until(station, lambda: "tracker_lost" in kinds(seen(station.state()), "alarms"))
            assert "journal_read" not in kinds(seen(station.state()))
            journal.fails = False
            await until(station, lambda: station.state().number == len(HEARD) + 1)
            await until(station, lambda: kinds(seen(station.state())) == [])


async def test_a_post_of_before_is_known_before_its_turn() -> None:
    """A phone asks again what it was not told: one of the past is not stored twice."""
    body = b'{"latitude": 38.1, "longitude": -98.2, "timestamp": 1780000000000}'
    journal = Slow()
    kept = journal.append([Reception(round(1_000 * T0), "phone", "phone", body)])
    async with starting(journal) as (station, _):
        assert await station.receive("phone", body) == kept
        assert kinds(seen(station.state())) == ["journal_read"]
