"""What a station holds when the disk refuses, what it writes at its end, and posts that come twice."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator, Callable, Iterable, Iterator

import pytest

from decoders.reports import Wire
from server.flight.flight import Flight
from server.flight.inputs import Command, FlightPlan, LaunchPlan, Plan, Reception, TrackerPlan
from server.flight.landing.question import LandingQuestion
from server.flight.mission import Mission
from server.journal.database import Journal, JournalError
from server.session import session as sessions
from server.session import writing
from server.session.session import NotStored, Session
from server.session.slices import Slices
from server.session.station import Station
from tests.flights import LAUNCH, made_flight
from tests.seen import seen

PATIENCE_S = 30.0
T0_MS = 1_780_000_000_000


class Disk:
    """A journal in memory that can be full; every attempt to write, by its size."""

    def __init__(self) -> None:
        self.journal = Journal(":memory:")
        self.full = False
        self.attempts: list[int] = []
        self.closed = False
        self.altered = self.journal.altered

    def append(self, entries: Iterable[Reception | Command]) -> int:
        given = list(entries)
        self.attempts.append(len(given))
        if self.full:
            raise JournalError("database or disk is full")
        return self.journal.append(given)

    def last_number(self) -> int:
        return self.journal.last_number()

    def receptions(
        self, after: int = 0, wire: Wire | None = None
    ) -> Iterator[tuple[int, Reception]]:
        return self.journal.receptions(after, wire)

    def commands(self) -> Iterator[tuple[int, Command]]:
        return self.journal.commands()

    def close(self) -> None:
        self.closed = True

    def payloads(self) -> list[bytes]:
        return [reception.payload for _, reception in self.receptions()]


def made(disk: Disk) -> Station:
    flight = Mission(
        Plan(flights=(FlightPlan(trackers=(TrackerPlan("Phone", role="phone", source="phone"),)),))
    )
    return Station(flight, disk, (), lambda: T0_MS / 1_000.0, {"a-token-of-it": "phone"})


@contextlib.asynccontextmanager
async def running(disk: Disk) -> AsyncIterator[Station]:
    made_one = made(disk)
    task = asyncio.ensure_future(made_one.run())
    try:
        yield made_one
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        made_one.close()


async def until(one: Station, holds: Callable[[], bool]) -> None:
    changed = asyncio.Event()
    stop = one.subscribe(changed.set)
    async with asyncio.timeout(PATIENCE_S):
        while not holds():
            changed.clear()
            await changed.wait()
    stop()


def packet(number: int) -> Reception:
    return Reception(T0_MS + number, "tnc", "tnc2", b"N0CALL-11>X:packet %d" % number)


def total(one: Station) -> int:
    return int(seen(one.state())["receptions"]["total"])


def body(second: int = 0) -> bytes:
    position = {"latitude": 38.1, "longitude": -98.2, "timestamp": T0_MS + 1_000 * second}
    return json.dumps(position).encode()


async def test_a_full_disk_holds_nothing_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """It is asked again after a while, not with each packet, and then takes all in its order."""
    monkeypatch.setattr(writing, "RETRY_S", 3_600.0)
    monkeypatch.setattr(writing, "MOST_AT_ONCE", 50)
    disk = Disk()
    async with running(disk) as one:
        disk.full = True
        for number in range(200):
            one.deliver(packet(number))
            await until(one, lambda: total(one) > number)  # noqa: B023 - used at once
        assert disk.attempts == [1]
        (refused,) = one.state().problems
        assert (refused.kind, refused.count) == ("journal_refuses", 200)
        disk.full = False
        monkeypatch.setattr(writing, "RETRY_S", 0.0)
        one.deliver(packet(200))
        await until(one, lambda: seen(one.state())["problems"] == [])
        assert max(disk.attempts) == 50
        assert disk.payloads() == [packet(number).payload for number in range(201)]
        assert total(one) == 201


async def test_what_nobody_expected_of_the_journal_ends_no_reception(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(writing, "RETRY_S", 0.0)
    disk = Disk()
    append = disk.append

    def fails(entries: Iterable[Reception | Command]) -> int:
        raise TypeError("of nobody's making")

    async with running(disk) as one:
        disk.append = fails  # type: ignore[method-assign]
        one.deliver(packet(0))
        await until(one, lambda: total(one) == 1)
        (refused,) = one.state().problems
        assert (refused.kind, refused.count) == ("journal_refuses", 1)
        assert refused.detail == "TypeError: of nobody's making"
        disk.append = append  # type: ignore[method-assign]
        one.deliver(packet(1))
        await until(one, lambda: total(one) == 2 and not one.state().problems)
    assert disk.payloads() == [packet(0).payload, packet(1).payload]


async def test_a_landing_waits_until_a_backlog_is_in_the_track(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Half of it would tell a wrong one, and take the time of the other half. A flood that never ends is
    waited for only so long."""
    asked: list[int] = []
    monkeypatch.setattr(sessions, "LANDING_PAUSE_S", 0.0)
    monkeypatch.setattr(sessions, "_work_out", tuple)  # of no questions
    async with running(Disk()) as one:
        question = Flight.landing_question

        def noted(flight: Flight) -> LandingQuestion | None:
            asked.append(total(one))
            return question(flight)

        monkeypatch.setattr(Flight, "landing_question", noted)
        for number in range(20_000):
            one.deliver(packet(number))
        await until(one, lambda: 20_000 in asked)
        assert set(asked) <= {0, 20_000}
    slow = Slices(one.mission, lambda: None)
    slow.take(packet(number) for number in range(20_000, 21_000))
    await slow.caught_up(within_s=0.0)  # returns, though much is left


async def test_what_waits_is_written_at_the_end(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(writing, "RETRY_S", 3_600.0)
    disk = Disk()
    async with running(disk) as one:
        disk.full = True
        one.deliver(packet(0))
        await until(one, lambda: total(one) == 1)
        disk.full = False
        one.deliver(packet(1))
        await until(one, lambda: total(one) == 2)
        one.deliver(packet(2))  # which the loop has not seen yet
    assert disk.payloads() == [packet(number).payload for number in range(3)]
    assert disk.closed
    disk.full = True
    async with running(disk) as one:
        one.deliver(packet(3))
        await until(one, lambda: total(one) == 4)
    assert "1 receptions are lost" in caplog.text


async def test_a_post_that_comes_again_is_the_same_one() -> None:
    disk = Disk()
    async with running(disk) as one:
        numbers = await asyncio.gather(*(one.receive("phone", body()) for _ in range(5)))
        assert set(numbers) == {1}, "while the first is being written"
        assert await one.receive("phone", body()) == 1
        assert await one.receive("phone", body(60)) == 2
    async with running(disk) as again:
        assert await again.receive("phone", body()) == 1, "after a restart, hours later"
        assert len(disk.payloads()) == 2
        timeless = b'{"latitude": 38.1, "longitude": -98.2}'
        assert await again.receive("phone", timeless) != await again.receive("phone", timeless)


async def test_a_phone_that_tries_again_and_again_is_held_once(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(writing, "RETRY_S", 0.05)
    disk = Disk()
    async with running(disk) as one:
        disk.full = True
        for _ in range(20):
            with pytest.raises(NotStored, match="could not be written"):
                await one.receive("phone", body())
        assert total(one) == 1
        disk.full = False
        await until(one, lambda: len(disk.payloads()) == 1)
        assert await one.receive("phone", body()) == 1
        assert len(disk.payloads()) == 1


async def test_who_hangs_up_while_it_is_written_takes_nobody_along() -> None:
    disk = Disk()
    async with running(disk) as one:
        first = asyncio.ensure_future(one.receive("phone", body()))
        second = asyncio.ensure_future(one.receive("phone", body()))
        await asyncio.sleep(0)
        first.cancel()
        assert await second == 1


IN_THE_AIR = Plan(
    flights=(
        FlightPlan(
            launch=LaunchPlan(*LAUNCH), trackers=(TrackerPlan("Main", callsign="N0CALL-11"),)
        ),
    )
)


async def test_a_prediction_that_fails_ends_nothing(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Heard, journaled, answered as ever; the crew is told, and sees the landing of before, with its age."""
    monkeypatch.setattr(sessions, "LANDING_PAUSE_S", 0.0)
    asked: list[int] = []

    def fails(question: LandingQuestion) -> None:
        asked.append(question.number)
        raise IndexError("index -1 is out of bounds")

    heard = list(made_flight(1_200.0))
    disk = Disk()
    one = Station(Mission(IN_THE_AIR), disk, (), lambda: heard[-1].heard_at_s)
    task = asyncio.ensure_future(one.run())
    try:
        for reception in heard[:30]:
            one.deliver(reception)
        await until(one, lambda: seen(one.state())["landing"] is not None)
        before = seen(one.state())["landing"]
        with monkeypatch.context() as broken:
            broken.setattr(sessions, "predict", fails)
            for reception in heard[30:]:
                one.deliver(reception)
                failures = len(asked)
                await until(one, lambda: len(asked) > failures)  # noqa: B023 - used at once
            await until(one, lambda: total(one) == len(heard))
            await until(one, lambda: len(seen(one.state())["problems"]) == 1)
            assert not task.done()
            assert disk.payloads() == [reception.payload for reception in heard]
            told = seen(one.state())
            assert told["landing"]["as_of"] == before["as_of"] < told["track"]["time"]
            (problem,) = told["problems"]
            assert (problem["kind"], problem["detail"]) == ("landing_failed", "IndexError")
            await one.command("acknowledge", "launch-1", None, None)
            logged = [r for r in caplog.records if "prediction failed" in r.message]
            assert len(logged) == 1
            assert logged[0].exc_info is not None
        one.changed()
        await until(one, lambda: seen(one.state())["problems"] == [])
        assert seen(one.state())["landing"]["as_of"] > before["as_of"]
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        one.close()


def test_a_replay_shows_the_rest_when_its_prediction_fails(monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(_: object) -> None:
        raise IndexError("index -1 is out of bounds")

    monkeypatch.setattr(sessions, "predict", fails)
    watch = Session(Mission(IN_THE_AIR))
    watch.mission.receive(list(made_flight(1_200.0)))
    watch.settle_landing()
    watch.close()
    told = seen(watch.state())
    assert told["phase"] == "ascent"
    assert told["landing"] is None
    assert (told["problems"][0]["kind"], told["problems"][0]["time"]) == ("landing_failed", None)
