"""The one loop: input -> journal -> flight -> subscribers."""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import itertools
import logging
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import TypeVar

from decoders.notes import SOURCE as NOTES
from server.flight.inputs import COMMAND_KINDS, PHASES_SAID, Command, Reception, Tick
from server.flight.mission import Mission
from server.flight.mission_state import Problem, ProblemKind, State
from server.flight.mission_state import Source as ShownSource
from server.flight.state import Mode
from server.flight.times import moment
from server.session.past import Past
from server.session.posts import Posts, post_key
from server.session.session import NotStored, Refused, Session
from server.session.side_tasks import SideTask, SideTasks
from server.session.slices import Slices
from server.session.source_alarms import source_alarms
from server.session.writing import Store, Writing
from server.sources.source import Source
from server.sources.spec import SourceSpec, SourceState

log = logging.getLogger("leeward.station")

TICK_S = 1.0
CATCH_UP_S = 5.0  # the longest that a landing waits for it: a flood may never end
PREDICT_EVERY = 60  # ticks: without a packet only time moves it

T = TypeVar("T")


class Station(Session):
    """Sources feed it, the journal is its memory, whoever subscribes is told."""

    mode: Mode = "live"

    def __init__(
        self,
        mission: Mission,
        journal: Store,
        sources: tuple[SourceSpec, ...],
        clock: Callable[[], float],
        phone_tokens: Mapping[str, str] | None = None,
    ) -> None:
        """`phone_tokens` maps a beacon's token to the name of its source."""
        super().__init__(mission)
        self._journal = journal
        self._posts = Posts()
        self._writing = Writing(journal, self.admit, self._posts.remember)
        self._sources = {
            spec.name: Source(
                spec, self.deliver, clock=clock, on_state=self._on_state, room=self._writing.room
            )
            for spec in sources
        }
        self._clock = clock
        self._tokens = dict(phone_tokens or {})
        self._json_tokens = {s.token: s.name for s in sources if s.token and s.enabled}
        self._name = mission.plan.station
        self.links: Callable[[], Iterable[SourceState]] = tuple  # ways to other stations
        self.link_problems: Callable[[], Iterable[Problem]] = tuple
        self._slices = Slices(mission, self.changed)
        self.side_tasks = SideTasks(self.notify)
        for number, reception in journal.receptions(wire="phone"):
            self._posts.remember(reception, number)
        self._past = Past(mission, journal, self.in_journal)
        self.on_past_read: Callable[[], None] = lambda: None

    async def _read_past(self) -> None:
        """The state as it was: everything in the journal once more."""
        await self._past.read(self.notify, self._past_read)

    def _past_read(self, came: list[Reception | Command]) -> None:
        self.on_past_read()
        self.admit(came)
        self.changed()

    def changed(self) -> None:
        """No landing is asked for while the past is read: half a track would tell a wrong one."""
        if self._past.reading:
            self.notify()
        else:
            super().changed()

    async def _caught_up(self) -> None:
        """A landing by half of a backlog is wrong, and takes the time of the other half."""
        await self._slices.caught_up(CATCH_UP_S)

    def deliver(self, reception: Reception) -> None:
        """A source has heard something. Returns at once; the loop stores and uses it."""
        if self._name and reception.wire != "phone":  # a phone belongs to no station
            reception = replace(reception, source=f"{self._name}/{reception.source}")
        self._writing.put(reception)

    async def in_journal(self, work: Callable[[], T]) -> T:
        """Run in the journal's thread; raises what it raises."""
        return await self._writing.in_journal(work)

    def admit(self, entries: Iterable[Reception | Command]) -> None:
        """Take in what the journal has now; what is much, little by little."""
        if self._past.reading:
            self._past.hold(entries)
        else:
            self._slices.take(entries)

    async def receive(self, source: str, payload: bytes) -> int:
        """Something posted to us; its number once it is on disk. NotStored."""
        key = None if source in self._json_tokens.values() else post_key(source, payload)
        known = self._posts.number(key)
        if known is not None:
            return known
        stored = self._posts.in_hand(key)
        if stored is None:
            stored = self._writing.keep(self._posted(source, payload))
            self._posts.hold(key, stored)
        number = await asyncio.shield(stored)  # the same post may wait for it as well
        if source in self._sources:
            self._sources[source].note(len(payload))
        return number

    def _posted(self, source: str, payload: bytes) -> Reception:
        """A phone's body belongs to no station; JSON was posted to a source of this one."""
        heard_at_ms = round(self._clock() * 1000)
        if source == NOTES:
            full = f"{self._name}/{source}" if self._name else source
            return Reception(heard_at_ms, full, "note", payload)
        if source not in self._json_tokens.values():
            return Reception(heard_at_ms, source, "phone", payload)
        full = f"{self._name}/{source}" if self._name else source
        return Reception(heard_at_ms, full, "json", payload)

    async def command(
        self,
        kind: str,
        name: str,
        latitude_deg: float | None = None,
        longitude_deg: float | None = None,
        flight: str = "",
    ) -> None:
        """A crew member sees an alarm (or not after all), places or assigns a vehicle, or says a phase."""
        if kind not in COMMAND_KINDS:
            raise Refused(f"one of {', '.join(COMMAND_KINDS)} expected, not {kind!r}")
        if kind == "phase" and name not in PHASES_SAID:
            raise Refused(f"one of {', '.join(PHASES_SAID)} expected, not {name!r}")
        if flight not in ("", *(one.name for one in self.mission.plan.flights)):
            raise Refused(f"no flight of this mission is named {flight!r}")
        command = Command(
            self._clock(), kind, name, latitude_deg, longitude_deg, self._name, flight
        )
        with contextlib.suppress(NotStored):  # it holds all the same; the screen shows the problem
            await asyncio.shield(self._writing.keep(command))

    async def control(self, action: str, value: float | str | None) -> None:
        raise Refused("A live flight cannot be played, paused or moved in time.")

    def phone_source(self, token: str) -> str | None:
        """Source name of a beacon's token."""
        return _owner(token, self._tokens)

    def json_source(self, token: str) -> str | None:
        """Source name of the token that JSON is posted with."""
        return _owner(token, self._json_tokens)

    def state(self) -> State:
        state = super().state()
        problems = state.problems
        if self._writing.problem is not None:
            kind, waits = ProblemKind.JOURNAL_REFUSES, self._writing.waiting
            refused = Problem(kind, count=waits, detail=str(self._writing.problem))
            problems = (refused, *problems)
        altered = self._journal.altered
        if altered.count:
            told = Problem(ProblemKind.ENTRIES_ALTERED, count=altered.count, detail=altered.first)
            problems = (*problems, told)
        alarms = state.alarms
        if self._past.reading:  # by half of it a tracker may look silent that is not
            problems, alarms = (self._past.problem, *problems), ()
        sources = [source.state for source in self._sources.values()]
        failed = source_alarms(sources, self.mission.commands, self._clock())
        return replace(
            state,
            alarms=(*alarms, *failed),
            sources=tuple(_shown(source) for source in sources),
            links=tuple(_shown(link) for link in self.links()),
            problems=(*problems, *self.link_problems(), *self.side_tasks.problems),
        )

    async def run(self, *beside: SideTask) -> None:
        """Run sources, loop, landing, and what works beside them, until cancelled."""
        aside = [
            *beside,
            SideTask("The reading of the journal", self._read_past),
            SideTask("The landing's prediction", self.keep_landing),
            *(SideTask(f"The source {n}", source.run) for n, source in self._sources.items()),
        ]
        async with asyncio.TaskGroup() as tasks:
            for task in aside:
                tasks.create_task(self.side_tasks.keep(task))
            tasks.create_task(self._tick())
            tasks.create_task(self._slices.run())
            self.changed()
            await self._writing.run()

    async def _tick(self) -> None:
        for number in itertools.count():
            if self._past.reading:
                self._past.tick(self._clock())
            else:
                self._slices.take([Tick(self._clock())])
            self.notify()
            if number % PREDICT_EVERY == 0:
                self.changed()  # time alone moves a prediction, as that of a launch that is put off
            await asyncio.sleep(TICK_S)

    def _on_state(self, _: SourceState) -> None:
        if not self._writing.under_way:  # else it is told with what was heard
            self.notify()

    def close(self) -> None:
        super().close()
        self._writing.close()


def _shown(state: SourceState) -> ShownSource:
    return ShownSource(
        state.name, state.kind, state.state, state.reason, moment(state.since_s), state.receptions
    )


def _owner(token: str, tokens: Mapping[str, str]) -> str | None:
    """Every token is compared, in constant time."""
    found = None
    for known, source in tokens.items():
        if hmac.compare_digest(known.encode(), token.encode()):
            found = source
    return found
