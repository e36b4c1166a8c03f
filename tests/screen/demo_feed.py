"""The demo flight as a feed, moved by hand: `feed.go(seconds since launch)`.

Every state and every history is what the real flight makes of the demo's recording at that moment; each
is worked out once in a test run.
"""

from __future__ import annotations

import asyncio
import functools
import hmac
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from server.flight.inputs import Tick, alarm_and_person
from server.flight.landing.predict import predict
from server.flight.mission import Mission
from server.flight.mission_state import Replay, Source, State
from server.flight.road_state import Reach
from server.flight.state import Mode
from server.flight.times import moment, parse_time
from server.flight.view.answer import Answer
from server.flight.view.history import HistoryBook
from server.flight.view.snapshot import snapshot
from server.flight.view.winds import Winds, shown_winds
from server.journal.recording import DEMO_LOG, read_recording
from server.plan.file import load
from server.screen.feed import History, Refused

TOKEN = "corn-lantern-42"
JSON_TOKEN = "barn-lantern-43"
PHONE = "phone-1"
MAIN, BACKUP = "N0CALL-11", "N0CALL-12"
LAUNCH_S = parse_time("2026-06-06T13:00:05Z") / 1000.0
BURST_S, SILENT_S, LANDED_S = (
    5_986.0,
    6_840.0,
    8_079.0,
)  # since launch; the main tracker is called silent
_BEFORE_S = 600.0  # the recording is older than the launch


class _Flown:
    """The demo flight, flown on as far as somebody asks."""

    def __init__(self) -> None:
        self._plan = load(Path(DEMO_LOG).with_suffix(".toml")).for_flight()
        self._heard = sorted(read_recording(DEMO_LOG).receptions)
        self._flight = Mission(self._plan)
        self._taken = 0
        self.answer: Answer | None = None  # the last

    def at(self, now_s: float) -> tuple[State, History]:
        if self._taken and self._heard[self._taken - 1].heard_at_s > now_s:
            self._flight, self._taken = Mission(self._plan), 0
        end = next((i for i, r in enumerate(self._heard) if r.heard_at_s > now_s), len(self._heard))
        self._flight.receive(self._heard[self._taken : end])
        self._taken = end
        self._flight.apply(Tick(now_s))
        question = self._flight.flights[0].landing_question()
        landing = None if question is None else predict(question)
        self.answer = None if question is None or landing is None else Answer(question, landing)
        answers = [] if self.answer is None else [self.answer]
        return snapshot(self._flight, answers), HistoryBook(self._flight).read()


@functools.cache
def _demo() -> _Flown:
    return _Flown()


@functools.cache
def demo_at(since_launch_s: float) -> tuple[State, History]:
    """State and history as they were so many seconds after the launch."""
    return _demo().at(LAUNCH_S + since_launch_s)


@functools.cache
def demo_answer(since_launch_s: float) -> Answer | None:
    """The prediction as it was then."""
    _demo().at(LAUNCH_S + since_launch_s)
    return _demo().answer


class DemoFeed:
    """A live station or a replay that shows the demo flight, and notes what it is told."""

    def __init__(self, mode: Mode = "live", since_launch_s: float = 0.0) -> None:
        self.mode: Mode = mode
        self.since_launch_s = since_launch_s
        self.received: list[tuple[str, bytes]] = []
        self.commands: list[tuple[Any, ...]] = []
        self.acknowledged: set[str] = set()
        self.persons: dict[str, str] = {}
        self.speed, self.paused = 10.0, True
        self.changes: dict[str, Any] = {}  # of the mission's state
        self.flight_changes: dict[str, Any] = {}
        self.comment: str | None = None  # instead of the first tracker's last packet
        self._subscribers: set[Callable[[], None]] = set()

    # what a test does

    def go(self, since_launch_s: float) -> None:
        self.since_launch_s = since_launch_s
        self.changed()

    def changed(self) -> None:
        for notify in tuple(self._subscribers):
            notify()

    @property
    def now_s(self) -> float:
        return LAUNCH_S + self.since_launch_s

    # the Feed

    @property
    def number(self) -> int:
        return self.state().number

    def state(self) -> State:
        state, _ = demo_at(self.since_launch_s)
        alarms = tuple(
            replace(
                alarm,
                acknowledged=alarm.id in self.acknowledged,
                acknowledged_person=self.persons.get(alarm.id, ""),
            )
            for alarm in state.alarms
        )
        (flight,) = state.flights
        if self.comment is not None:
            first, *others = flight.trackers
            told = replace(first, last_packet=self.comment)
            flight = replace(flight, trackers=(told, *others))
        shown = replace(
            state,
            mode=self.mode,
            alarms=alarms,
            flights=(replace(flight, **self.flight_changes),),
        )
        if self.mode == "replay":
            start, end = moment(LAUNCH_S - _BEFORE_S), moment(LAUNCH_S + LANDED_S + 1_440.0)
            place = Replay(self.speed, self.paused, state.now, start, end, "demo.log")
            shown = replace(shown, replay=place)
        else:
            radio = Source(
                "tnc", "kiss_tcp", "open", None, moment(LAUNCH_S - _BEFORE_S), state.number
            )
            shown = replace(shown, sources=(radio,))
        return replace(shown, **self.changes)

    def history(self) -> History:
        return demo_at(self.since_launch_s)[1]

    def winds(self, flight: str) -> Winds | None:
        answer = demo_answer(self.since_launch_s)
        return shown_winds(answer) if answer is not None and flight in ("", "Tern 7") else None

    async def reach(self, vehicle: str) -> Reach | None:
        return None  # the demo over the plains has no roads

    def subscribe(self, on_change: Callable[[], None]) -> Callable[[], None]:
        self._subscribers.add(on_change)
        return lambda: self._subscribers.discard(on_change)

    async def receive(self, source: str, payload: bytes) -> int:
        await asyncio.sleep(0)
        self.received.append((source, payload))
        self.changed()
        return self.state().number

    async def command(
        self,
        kind: str,
        name: str,
        latitude_deg: float | None = None,
        longitude_deg: float | None = None,
        flight: str = "",
    ) -> None:
        if kind == "acknowledge":
            alarm_id, person = alarm_and_person(name)
            if alarm_id not in {alarm.id for alarm in self.state().alarms}:
                raise Refused("There is no such alarm.")
            self.acknowledged.add(alarm_id)
            self.persons[alarm_id] = person
        of_flight = (flight,) if flight else ()
        if kind == "recall":
            self.acknowledged.discard(name)
        self.commands.append((kind, name, latitude_deg, longitude_deg, *of_flight))
        self.changed()

    async def control(self, action: str, value: float | str | None) -> None:
        if self.mode != "replay":
            raise Refused("This flight is live: it has no controls.")
        self.commands.append((action, value))
        if action == "seek":
            self.since_launch_s = float(value or 0) - LAUNCH_S
        elif action == "speed":
            self.speed = float(value or 1)
        else:
            self.paused = action == "pause"
        self.changed()

    def phone_source(self, token: str) -> str | None:
        return PHONE if hmac.compare_digest(token.encode(), TOKEN.encode()) else None

    def json_source(self, token: str) -> str | None:
        return "lora" if hmac.compare_digest(token.encode(), JSON_TOKEN.encode()) else None


def height_text(feed: DemoFeed) -> str:
    """The payload's altitude as the page writes it in metres: to the nearest ten."""
    track = feed.state().flights[0].track
    assert track is not None
    return f"{round(track.altitude_m / 10) * 10:,} m"


def height_text_ft(feed: DemoFeed) -> str:
    """Likewise in feet."""
    track = feed.state().flights[0].track
    assert track is not None
    return f"{round(track.altitude_m / 0.3048 / 10) * 10:,} ft"
