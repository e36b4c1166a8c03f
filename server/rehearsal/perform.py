"""A flight in real time, or faster, against a station that runs in another terminal."""

from __future__ import annotations

import asyncio
import contextlib
import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.error import URLError
from urllib.request import Request, urlopen

from server.rehearsal.clock import ClockServer
from server.rehearsal.ends import Ends
from server.rehearsal.flight import Ours, Stage
from server.rehearsal.judge import Verdict, judge
from server.rehearsal.plan_text import plan_text
from server.rehearsal.scenario import Scenario
from server.rehearsal.searchers import Searchers
from server.rehearsal.shown import Shown

FRAME_S = 0.05
LOOK_EVERY_S = 10.0  # of the flight, but not more often than LOOK_PAUSE_S of real time
LOOK_PAUSE_S = 0.4
STATE_PATIENCE_S = 15.0
Flights = dict[str, dict[str, Any]]  # what is shown of each, by its name
Look = tuple[float, Flights]  # when


@dataclass(frozen=True, slots=True)
class Judged:
    """One flight: what was so, what was shown of it, and how the two compare."""

    ours: Ours
    looks: tuple[Shown, ...]
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class Performance:
    """What came of it. `judged`: each of our flights; empty where nobody was to judge."""

    stage: Stage
    judged: tuple[Judged, ...]
    sent: int
    lost_posts: int


@dataclass(frozen=True, slots=True)
class Wishes:
    speed: float = 1.0
    base_port: int = 8_440  # clock; the ends follow
    plan: Path = Path("rehearsal.toml")
    run: str = "rehearsal"
    end_after_s: float = math.inf  # of the flight, after the launch: a short rehearsal


async def perform(
    scenario: Scenario, seed: int | None, wishes: Wishes, say: Callable[[str], None]
) -> Performance:
    """Open the ends, write the plan, wait for the station, fly, look on.

    `say` gets lines for the person at the terminal.
    """
    stage = Stage(scenario, seed, live=True)
    truth = stage.truth
    clock = ClockServer(truth.start_s, wishes.speed, wishes.run)
    ends = Ends(scenario, lambda: clock.station)
    looks: list[Look] = []
    sent = 0
    try:
        await ends.open(wishes.base_port)
        port = await clock.open(wishes.base_port)
        wishes.plan.write_text(plan_text(scenario, ends.addresses), encoding="utf-8")
        say(f"{scenario.title}, {wishes.speed:g} times real time. The plan: {wishes.plan}")
        say(f"Start the station:  leeward live {wishes.plan} --rehearsal 127.0.0.1:{port}")
        await clock.first_station()
        say(f"The station at {clock.station} follows. Ctrl-C ends it.")
        looking = asyncio.ensure_future(_look_on(clock, stage, looks))
        end_s = min(stage.end_s, truth.launch_s + wishes.end_after_s)
        milestones = _milestones(stage)
        try:
            while (now_s := clock.now_s()) < end_s:
                for heard in stage.until(now_s):
                    ends.hear(heard)
                    sent += 1
                while milestones and milestones[0][0] <= now_s:
                    say(milestones.pop(0)[1])
                await asyncio.sleep(FRAME_S)
            await asyncio.sleep(1.0)  # what was heard last is still on its way
        except asyncio.CancelledError:  # Ctrl-C: what was seen so far is judged
            if not looks or not _given_up():
                raise
            say("Ended early.")
        finally:
            looking.cancel()
            await asyncio.gather(looking, return_exceptions=True)
    finally:
        await ends.close()
        await clock.close()
    judged = tuple(_judged(ours, looks) for ours in stage.ours) if looks else ()
    return Performance(stage, judged, sent, ends.lost_posts)


def _judged(ours: Ours, looks: Sequence[Look]) -> Judged:
    """What the station does not show by that name counts as not shown at all."""
    shown = tuple(
        Shown(at_s, flights[ours.flight]) for at_s, flights in looks if ours.flight in flights
    )
    return Judged(ours, shown, judge(ours.truth, ours.faults, shown))


def _given_up() -> bool:
    """Take the one cancellation back, so that the end can still be told."""
    task = asyncio.current_task()
    return task is not None and task.uncancel() == 0


async def _look_on(clock: ClockServer, stage: Stage, looks: list[Look]) -> None:
    """Look at what the crew sees, send the cars where it says, and note what their crews find."""
    own = stage.own
    searchers = None
    if stage.scenario.searched and own is not None:
        truth = stage.followed(own).truth
        searchers = Searchers(own, truth, stage.seed, stage.crew_hears)
    while True:
        asked_s = clock.now_s()
        flights = await asyncio.to_thread(_flights, clock.station)
        if flights is not None:
            looks.append((asked_s, flights))
            _aim(stage, flights)
            if searchers is not None and own is not None:
                told = searchers.step(asked_s, flights.get(stage.followed(own).flight, {}))
                await asyncio.to_thread(_post_notes, clock.station, told)
        wait_s = max(LOOK_PAUSE_S, LOOK_EVERY_S / clock.speed)
        await asyncio.sleep(wait_s)


def _aim(stage: Stage, flights: Flights) -> None:
    for car in stage.cars:
        landing = flights.get(stage.followed(car).flight, {}).get("landing")
        if landing and landing.get("latitude_deg") is not None:
            car.aim = (landing["latitude_deg"], landing["longitude_deg"])


def _post_notes(station: str | None, notes: Sequence[Mapping[str, Any]]) -> None:
    for note in notes:
        body = json.dumps(note).encode()
        with contextlib.suppress(URLError, OSError):
            asked = Request(f"{station}api/note", body, {"Content-Type": "application/json"})
            with urlopen(asked, timeout=STATE_PATIENCE_S):
                pass


def _flights(station: str | None) -> Flights | None:
    """What the station shows of each flight, by its name; None where it does not answer."""
    if station is None:
        return None
    try:
        with urlopen(f"{station}api/state", timeout=STATE_PATIENCE_S) as answer:
            state = json.load(answer)
    except (URLError, OSError, ValueError):
        return None
    flights = state.get("flights") if isinstance(state, dict) else None
    return {flight["name"]: flight for flight in flights} if flights else None


def _milestones(stage: Stage) -> list[tuple[float, str]]:
    """What the instructor is told as it happens; the crew is not."""
    found: list[tuple[float, str]] = []
    for ours in stage.ours:
        truth, name = ours.truth, f"{ours.flight}: " if len(stage.ours) > 1 else ""
        found += [
            (truth.launch_s, f"{name}launched"),
            (truth.burst_s, f"{name}burst at {truth.burst[2]:,.0f} m"),
            (truth.landing_s, f"{name}on the ground"),
            *((fault.from_s, f"{name}{fault.tracker}: {fault.kind}") for fault in ours.faults),
        ]
    first_s = stage.truth.launch_s
    return sorted((t, f"T{(t - first_s) / 60:+.0f} min: {words}") for t, words in found)
