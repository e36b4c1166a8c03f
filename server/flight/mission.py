"""The mission: inputs in, the flights of one day out.

`Mission` decodes what comes, judges the clocks it was timed by, and enters it in the books (books.py).
What the crew sees of it is put together in view/snapshot.py; the landings are computed elsewhere, from
the questions of its flights (flight.py), and never come back in.

What was heard is booked at once. What takes longer the longer a flight is left to `work`, in counted
steps, so that a live station keeps its loop free: the filter behind a late fix, and all receptions once
more after a clock's error has shown to be another one. Until that is done the state is what it was,
with what was heard since; a state that is half run again is never shown. `settle` does all of it at
once, and then the same set of inputs has the same state, however the work was sliced.
"""

from __future__ import annotations

import bisect
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from server.flight.books import Books, Counts
from server.flight.clock_readings import ALLOWED_S, ClockReadings
from server.flight.crew_said import statements
from server.flight.entering import Entering
from server.flight.flight import Flight
from server.flight.inputs import (
    Command,
    OutlookLanding,
    Plan,
    Reception,
    Tick,
    TrackerPlan,
    VehiclePlan,
)
from server.flight.landing.measured_winds import MeasuredWinds
from server.flight.landing.question import Forecast, Terrain
from server.flight.packets.senders import Sender
from server.flight.packets.station_clocks import StationClocks
from server.flight.rebuild import Rebuild, put_in_order
from server.flight.track.events import Event

_MANY_STEPS = 1_000_000

_ENDED = object()


class Mission:
    """State of the flights of one day. The same set of receptions and commands gives the same state."""

    def __init__(
        self,
        plan: Plan,
        terrain: Terrain | None = None,
        forecast: Forecast | None = None,
        winds: tuple[MeasuredWinds, ...] = (),
    ) -> None:
        self.plan = plan
        self.terrain = terrain
        self.forecast = forecast
        self.winds = winds  # that others measured
        self.commands: list[Command] = []
        self._readings = ClockReadings(plan.station)
        self._receptions: list[Reception] = []  # sorted
        self.clocks = StationClocks(plan)
        self._books = Books(plan, self.clocks)
        self._entering = Entering(plan, self._readings, self._books)
        self._rebuild: Rebuild | None = None
        self._retired: list[Iterator[None]] = []  # books that are freed
        self._to_rebuild = False  # anew, whatever is under way

    @property
    def counts(self) -> Counts:
        return self._books.counts

    @property
    def fault_kinds(self) -> Counter[str]:
        """Of the unusable receptions."""
        return self._books.fault_kinds

    @property
    def senders(self) -> Mapping[str, Sender]:
        return self._books.senders

    @property
    def trackers(self) -> Mapping[str, TrackerPlan]:
        """By the name that is heard."""
        return self._books.trackers

    @property
    def vehicles(self) -> Mapping[str, VehiclePlan]:
        """By the name that is heard."""
        return self._books.vehicles

    @property
    def undated(self) -> Counter[str]:
        """What is not used of stations whose date is wrong."""
        return self._books.undated

    def take_outlooks(self, said: Mapping[str, tuple[OutlookLanding, ...]]) -> None:
        """What outlooks say of each flight, by its name: they may be made while the station waits."""
        flights = (replace(f, outlook=said.get(f.name, f.outlook)) for f in self.plan.flights)
        self.plan = replace(self.plan, flights=tuple(flights))

    @property
    def flights(self) -> tuple[Flight, ...]:
        """In the order of the plan, as the books stand now."""
        return tuple(Flight(self, plan, self._books, n) for n, plan in enumerate(self.plan.flights))

    @property
    def now_s(self) -> float:
        """UTC now: the station's clock, put right where GPS times show that it is wrong."""
        return self._readings.latest()[1] - self.now_ahead_s

    @property
    def now_ahead_s(self) -> float:
        """How far the station's clock is ahead of GPS time now; 0 while it looks right."""
        return self.clocks.ahead_s(*self._readings.latest())

    @property
    def held(self) -> dict[str, list[float]]:
        """When other stations say that they heard what is not used, because it is later than now."""
        found: dict[str, list[float]] = {}
        for one in self._books.held:
            found.setdefault(one.reception.station, []).append(one.heard_at_ms / 1000.0)
        return found

    def apply(self, given: Reception | Tick | Command) -> tuple[Event, ...]:
        """Take one input in and settle; returns the events of the flights that are new with it."""
        before = [flight.events() for flight in self.flights]
        self.book([given])
        self.settle()
        new: tuple[Event, ...] = ()
        for known, flight in zip(before, self.flights, strict=True):
            kinds = {(e.kind, round(e.noticed_s)) for e in known}
            new += tuple(e for e in flight.events() if (e.kind, round(e.noticed_s)) not in kinds)
        return new

    def receive(self, receptions: Iterable[Reception]) -> None:
        """Take many in and settle: the same as one by one, but the tracks run only once."""
        self.book(receptions)
        self.settle()

    def book(self, given: Iterable[Reception | Tick | Command]) -> None:
        """Take inputs in, and leave to `work` what takes long.

        Whatever a reception does, it is counted as unusable, and the others are taken in.
        """
        given = list(given)
        receptions = [one for one in given if isinstance(one, Reception)]
        put_in_order(self._receptions, receptions)
        moved = False
        for reception in receptions:
            moved |= self._receive(reception)
        for one in given:
            if isinstance(one, Tick):
                self._readings.tick(one.now_s)
            elif isinstance(one, Command):
                self._readings.read(one.station, one.at_s)
                bisect.insort(self.commands, one, key=lambda command: command.order)
                self._hear_crew(self._books)
                if self._rebuild is not None:
                    self._hear_crew(self._rebuild.books)
        out_of_order = self._rebuild is None and self._books.receivers.out_of_order
        if moved | self._choose_reference() | out_of_order:
            self._to_rebuild = True
        self._look_at_clock()

    def work(self, steps: int) -> bool:
        """Go on with what is left, at most so many steps (a step: one reception or fix taken in, about
        0.2 ms). False when nothing is left.
        """
        while steps > 0:
            if not self.pending:
                return False
            if self.clocks.pending:
                steps = self.clocks.work(steps)
                self._to_rebuild = True
                continue
            if self._to_rebuild or self._entering.to_learn:
                self._begin_rebuild()
            steps = self._free(self._books.work(steps))
            if self._rebuild is not None and steps > 0:
                steps = self._go_on(self._rebuild, steps)
        return self.pending

    def work_senders(self, steps: int) -> None:
        """Of `work`, what senders have left: whoever books much first leaves the tracks for later."""
        self._books.work_senders(steps)

    @property
    def pending(self) -> bool:
        """Whether there is work left."""
        to_rebuild = self._to_rebuild or self._entering.to_learn or self._rebuild is not None
        return bool(to_rebuild or self._retired) or self._books.pending or self.clocks.pending

    @property
    def fixes_run(self) -> tuple[int, int]:
        """Of the fixes of all flights: how many the tracks that are shown hold, and how many there are."""
        tracks = self._books.tracks
        return sum(len(track.records()) for track in tracks), sum(track.known for track in tracks)

    def _free(self, steps: int) -> int:
        while self._retired and steps > 0:
            steps -= 1
            if next(self._retired[-1], _ENDED) is _ENDED:
                self._retired.pop()
        return steps

    def settle(self) -> None:
        """Do all the work that is left."""
        while self.work(_MANY_STEPS):
            pass

    def _receive(self, reception: Reception) -> bool:
        """True when times of packets heard before are to be read otherwise now."""
        if self._rebuild is not None:
            self._rebuild.receptions.append(reception)
        return self._enter(reception, self._books, learn=True)

    def _look_at_clock(self) -> None:
        """Take in what is not later than now any more, and take out what is."""
        books = self._books
        newest = books if self._rebuild is None else self._rebuild.books
        if not books.held and newest.latest_taken_s == 0.0:
            return  # as a rule: no other station was heard
        horizon_s = self.horizon_s()
        if newest.latest_taken_s > horizon_s:
            self._to_rebuild = True
        while books.held and books.held[0].heard_at_ms / 1000.0 <= horizon_s:
            one = books.held.pop(0)
            self._entering.place(one, books, horizon_s)

    def _begin_rebuild(self) -> None:
        learns = self._entering.to_learn
        if self._rebuild is not None:
            self._retired.append(self._rebuild.books.wind_up())
        books = Books(self.plan, StationClocks(self.plan) if learns else self.clocks)
        self._rebuild = Rebuild(books, list(self._receptions), learns)
        self._to_rebuild = self._entering.to_learn = False
        if not learns:
            self._hear_crew(books)

    def _go_on(self, rebuild: Rebuild, steps: int) -> int:
        """Some steps of a rebuild; what is shown is what it was until it is done."""
        books, learns = rebuild.books, rebuild.learns
        if learns:
            steps = rebuild.take(steps, lambda one: self._entering.learn(one, books))
        else:
            steps = rebuild.take(steps, lambda one: self._enter(one, books, learn=False))
        if not rebuild.read:
            return steps
        if learns:
            self.clocks = books.clocks  # all is read by them now
            self._choose_reference()
            self._begin_rebuild()
            return steps
        if not rebuild.compared and not self._books.broken:
            books.take_over(self._books)
        rebuild.compared = True
        steps = books.work(steps)
        if books.pending:
            return steps
        self._rebuild = None
        if books.receivers.out_of_order:  # what came meanwhile
            self._to_rebuild = True
        elif not books.broken:
            self._retired.append(self._books.wind_up())
            self._books = self._entering.shown = books
            self._look_at_clock()
        return steps

    def _hear_crew(self, books: Books) -> None:
        for plan, track in zip(self.plan.flights, books.tracks, strict=True):
            track.hear_crew(statements(self.commands, self.clocks, self.plan, plan.name))

    def events(self) -> tuple[Event, ...]:
        """Launches, bursts, landings, as best known now, one flight after the other."""
        return tuple(event for flight in self.flights for event in flight.events())

    def _enter(self, reception: Reception, books: Books, *, learn: bool) -> bool:
        """True when times of packets heard before are to be read otherwise now."""
        return self._entering.enter(reception, books, self.clocks, self.horizon_s, learn=learn)

    def horizon_s(self) -> float:
        """Nothing is heard later."""
        return self._readings.horizon_s(self.clocks, self.now_s)

    def _choose_reference(self) -> bool:
        return self.clocks.choose_reference(self._readings.own_s, ALLOWED_S)
