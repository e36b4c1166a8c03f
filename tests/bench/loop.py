"""How long the station holds the event loop: `python -m tests.bench loop --json`.

Four trackers, a fix every two seconds, 100 other stations, the own car's receiver and telemetry, from the
pad to the landing. Twice a packet comes that is an hour late, early in the flight and late in it, once a
definition of telemetry comes, and towards the end the computer's clock turns out to be off. Times are of
the loop's own thread, on the processor: the machine may be busy. The prediction itself runs in a thread
of its own and is not counted.
"""

from __future__ import annotations

import asyncio
import gc
import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from functools import partial
from typing import Any, TypeVar

from decoders.reports import Wire
from server.flight.inputs import (
    Command,
    FlightPlan,
    LaunchPlan,
    Plan,
    Reception,
    TrackerPlan,
    VehiclePlan,
)
from server.flight.mission import Mission
from server.journal.database import Altered
from server.screen.hub import Hub
from server.screen.messages import Resume
from server.session.slices import without_full_collections
from server.session.station import Station
from tests.flights import LAUNCH, T0, packet, position_at

T = TypeVar("T")

TRACKERS = tuple(f"N0CALL-{11 + i}" for i in range(4))
NEIGHBOURS = 100
UNTIL_S = 9_000
LATE_BY_S = 3_500.0  # an hour; what is later than 61 min has no time that is believed
LATE_AT_S = (4_000, 8_500)
DEFINED_AT_S = 7_000
CLOCK_OFF_FROM_S, CLOCK_OFF_S = 8_000, 200.0
LANDING_EVERY_S = 300
SHOWN_EVERY_S = 10  # of the flight; after each of the odd ones every second
HOLD_S = 0.010


class _Memory:
    """A journal that keeps nothing."""

    altered = Altered(0, "")

    def append(self, entries: Iterable[Reception | Command]) -> int:
        return len(list(entries))

    def last_number(self) -> int:
        return 0

    def receptions(
        self, after: int = 0, wire: Wire | None = None
    ) -> Iterator[tuple[int, Reception]]:
        return iter(())

    def commands(self) -> Iterator[tuple[int, Command]]:
        return iter(())

    def close(self) -> None:
        """Nothing is open."""


class _Quiet(Station):
    """The bench asks for landings itself."""

    async def keep_landing(self) -> None:
        await asyncio.Event().wait()


class Taken:
    """Durations by kind of call, in seconds of the thread."""

    def __init__(self) -> None:
        self.calls: dict[str, list[float]] = defaultdict(list)
        self.turns: list[float] = []  # of the loop: all that ran before it was free again

    def call(self, kind: str, work: Callable[[], T]) -> T:
        began_s = time.thread_time()
        result = work()
        self.calls[kind].append(time.thread_time() - began_s)
        return result

    async def watch(self) -> None:
        """Note the length of every turn of the loop."""
        while True:
            began_s = time.thread_time()
            await asyncio.sleep(0)
            self.turns.append(time.thread_time() - began_s)


def run() -> dict[str, Any]:
    before = gc.get_threshold()
    without_full_collections()  # as a live station does
    try:
        return asyncio.run(_run())
    finally:
        gc.set_threshold(*before)


async def _run() -> dict[str, Any]:
    plan = Plan(
        flights=(
            FlightPlan(
                launch=LaunchPlan(*LAUNCH),
                trackers=tuple(TrackerPlan(name, name) for name in TRACKERS),
            ),
        ),
        vehicles=(VehiclePlan("Car", source="gps", own=True),),
    )
    now_s = [T0]
    station = _Quiet(Mission(plan), _Memory(), (), lambda: now_s[0])
    hub = Hub(station)
    client = hub.join(Resume(kind="resume"))
    taken = Taken()
    running = asyncio.ensure_future(station.run())
    odd = {*LATE_AT_S, DEFINED_AT_S, *range(CLOCK_OFF_FROM_S, CLOCK_OFF_FROM_S + 60)}
    watching = asyncio.ensure_future(taken.watch())
    for elapsed_s in range(UNTIL_S):
        now_s[0] = T0 + elapsed_s + _clock_off_s(elapsed_s)
        given = list(heard(elapsed_s))
        if given:
            kind = "admit_odd" if elapsed_s in odd else "admit"
            taken.call(kind, partial(station.admit, given))
        near = any(at_s <= elapsed_s <= at_s + 20 for at_s in odd)
        if near or elapsed_s % SHOWN_EVERY_S == 0:
            await asyncio.sleep(0)
            taken.call("landing_question", station.mission.flights[0].landing_question)
            await asyncio.sleep(0)
            taken.call("state", station.state)
            await asyncio.sleep(0)
            taken.call("history", station.history)
            await asyncio.sleep(0)
            taken.call("look_back", hub.look_back)
            await asyncio.sleep(0)
            taken.call("publish", hub.publish)
            while not client.messages.empty():
                client.messages.get_nowait()
        if elapsed_s % LANDING_EVERY_S == 0:
            watching.cancel()
            station.settle_landing()
            watching = asyncio.ensure_future(taken.watch())
        await asyncio.sleep(0)
    for task in (watching, running):
        task.cancel()
    await asyncio.gather(watching, running, return_exceptions=True)
    station.close()
    return {
        "receptions": station.mission.counts.total,
        "fixes": len(station.mission.flights[0].track.records()),
        "senders": len(station.mission.senders),
        "calls": {kind: _spread(took) for kind, took in sorted(taken.calls.items())},
        "turn": _spread(taken.turns),
        f"turns_above_{HOLD_S * 1000:.0f}_ms": sum(took > HOLD_S for took in taken.turns),
        "longest_turns_ms": [round(1000.0 * t, 1) for t in sorted(taken.turns)[-12:]],
    }


def _clock_off_s(elapsed_s: float) -> float:
    return CLOCK_OFF_S if elapsed_s >= CLOCK_OFF_FROM_S else 0.0


def heard(elapsed_s: int) -> Iterator[Reception]:
    """What is heard in this second of the flight."""
    off_ms = round(1000.0 * _clock_off_s(elapsed_s))
    for one in _sent(elapsed_s):
        yield replace(one, heard_at_ms=one.heard_at_ms + off_ms)


def _sent(elapsed_s: int) -> Iterator[Reception]:
    now_ms = round(1000 * (T0 + elapsed_s + 1.5))
    if elapsed_s % 2 == 0:
        name = TRACKERS[elapsed_s // 2 % len(TRACKERS)]
        yield packet(float(elapsed_s), name, source="tnc")
    if elapsed_s in LATE_AT_S:
        late = packet(
            elapsed_s - LATE_BY_S - 1.0, TRACKERS[0], path=",qAR,N0CALL", source="internet"
        )
        yield replace(late, heard_at_ms=now_ms)
    if elapsed_s % 8 == 3:
        values = f"T#{elapsed_s // 8 % 1000:03d},{elapsed_s % 256:03d},100,050,020,010,00000000"
        yield _said(now_ms, TRACKERS[0], values)
    if elapsed_s in (100, DEFINED_AT_S):
        scale = 0.5 if elapsed_s == 100 else 0.25
        yield _said(now_ms, TRACKERS[0], f":{TRACKERS[0]:<9}:PARM.Out,Pres,Vbat")
        yield _said(now_ms, TRACKERS[0], f":{TRACKERS[0]:<9}:UNIT.C,hPa,V")
        yield _said(now_ms, TRACKERS[0], f":{TRACKERS[0]:<9}:EQNS.0,{scale},0,0,{scale},0,0,.1,0")
    if elapsed_s % 5 == 1:
        latitude_deg, longitude_deg, _ = position_at(0.5 * elapsed_s)
        said = (
            f'{{"class":"TPV","device":"/dev/a","mode":3,"time":"{_iso(T0 + elapsed_s)}",'
            f'"lat":{latitude_deg - 0.1:.6f},"lon":{longitude_deg:.6f},"altMSL":500.0}}'
        )
        yield Reception(now_ms, "gps", "gpsd", said.encode())
    for i in range(NEIGHBOURS):
        if (elapsed_s + 7 * i) % 60 == 0:
            place = (38.0 + 0.01 * i, -98.0 - 0.01 * i, 300.0)
            yield packet(float(elapsed_s), f"N0C{i:03d}", place, source="internet")


def _said(heard_at_ms: int, sender: str, text: str) -> Reception:
    return Reception(heard_at_ms, "tnc", "tnc2", f"{sender}>APZLWD:{text}".encode())


def _iso(time_s: float) -> str:
    return time.strftime("%Y-%m-%dT%H:%M:%S.000Z", time.gmtime(time_s))


def _spread(took_s: list[float]) -> dict[str, float]:
    ordered = sorted(took_s)
    return {
        "calls": len(ordered),
        "median_ms": 1000.0 * ordered[len(ordered) // 2],
        "p99_ms": 1000.0 * ordered[min(len(ordered) * 99 // 100, len(ordered) - 1)],
        "max_ms": 1000.0 * ordered[-1],
    }
