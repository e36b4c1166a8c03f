"""What a recording has to show: its events and alarms, to jump to before they are played."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from server.flight.inputs import Command, Reception, Tick
from server.flight.mission import Mission
from server.flight.mission_state import Alarm
from server.flight.state import Event
from server.flight.times import moment
from server.flight.view.snapshot import snapshot
from server.session.session import Session

STEP_S = 5.0  # between two looks for an alarm
LONGEST_S = 1_200.0  # after its time, in which it is looked for


@dataclass(frozen=True, slots=True)
class FlightMoments:
    """`ends_in_the_air`: its landing was never heard, so that the prediction goes beyond the recording."""

    name: str
    events: tuple[Event, ...]
    ends_in_the_air: bool


@dataclass(frozen=True, slots=True)
class SeenAlarm:
    """`seen`: when a replay shows it first. An alarm's own time is that of the fix that tells it, and a fix

    may be heard minutes later."""

    alarm: Alarm
    seen: datetime


@dataclass(frozen=True, slots=True)
class Moments:
    flights: tuple[FlightMoments, ...]
    alarms: tuple[SeenAlarm, ...]


def moments_of(
    begin: Callable[[], Mission], receptions: Sequence[Reception], commands: Sequence[Command]
) -> Moments:
    """As known at the end of the recording: some seconds of work. `begin` makes a mission that has

    heard nothing; receptions are in order of hearing."""
    mission = begin()
    mission.receive(receptions)
    for command in commands:
        mission.apply(command)
    if receptions:
        mission.apply(Tick(receptions[-1].heard_at_s))
    session = Session(mission)
    session.settle_landing()
    session.close()
    state = session.state()
    flights = tuple(
        FlightMoments(one.name, one.events, one.phase in ("ascent", "float", "descent"))
        for one in state.flights
    )
    return Moments(flights, tuple(_seen(begin(), receptions, state.alarms)))


def _seen(
    mission: Mission, receptions: Sequence[Reception], alarms: Sequence[Alarm]
) -> Iterator[SeenAlarm]:
    """Played once more, and looked at from each alarm's time on until it is there."""
    played = 0

    def play(until_s: float) -> None:
        nonlocal played
        first = played
        while played < len(receptions) and receptions[played].heard_at_s <= until_s:
            played += 1
        mission.receive(receptions[first:played])
        mission.apply(Tick(until_s))

    now_s = 0.0
    shown: dict[str, float] = {}  # since when
    for alarm in sorted(alarms, key=lambda one: one.time):
        from_s = alarm.time.timestamp()
        now_s = max(now_s, from_s)
        while alarm.id not in shown and now_s - from_s <= LONGEST_S:
            play(now_s)
            for one in snapshot(mission, []).alarms:
                shown.setdefault(one.id, now_s)
            if alarm.id not in shown:
                now_s += STEP_S
        # what rests on a prediction is not seen here: its own time is all that is known
        yield SeenAlarm(alarm, moment(shown.get(alarm.id, from_s)))
