"""The flight: inputs in, events out, and a snapshot at any moment.

`Flight` keeps the books: who was heard, who is a tracker, a vehicle or a station, and the fused
track. What the crew sees of it is put together in snapshot.py; the landing is computed elsewhere from
`landing_question()` and never comes back in.
"""

from __future__ import annotations

import bisect
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from typing import Any, NamedTuple, TypeVar, cast

from decoders.reports import EARLIEST_S, LATEST_S, Decoding, PositionReport, Report
from server.flight.inputs import Command, Plan, Reception, Tick, TrackerPlan
from server.flight.landing.question import Forecast, LandingQuestion, Terrain, ask
from server.flight.packets.beacon_health import TrackerHealth
from server.flight.packets.deduplication import Arrivals
from server.flight.packets.heard import Taken, decoded
from server.flight.packets.names import PlannedNames
from server.flight.packets.plan_names import (
    by_name,
    comment_patterns,
    launch_site,
    motion_constants,
    trackers_heard,
    vehicles_heard,
)
from server.flight.packets.receivers import Receivers
from server.flight.packets.senders import Sender
from server.flight.packets.station_clocks import StationClocks, shows_a_tracker
from server.flight.track.events import Event
from server.flight.track.fixes import Fix
from server.flight.track.phase_memory import Statement
from server.flight.track.track import Track

# What another station heard later than our now is held back: the lag of a link to it, and NOTICED_S on
# both sides. Without a tick (a journal read to its end) our own clock's last reading is all that tells
# now, and others may have gone on without us
_ALLOWED_S = 120.0
_ALLOWED_UNTICKED_S = 12 * 3_600.0


T = TypeVar("T")


class Counts(NamedTuple):
    total: int = 0
    undecodable: int = 0
    unusable: int = 0  # receptions that could not be taken in, whatever they hold


class Flight:
    """State of one flight. The same set of receptions and commands gives the same state."""

    def __init__(
        self, plan: Plan, terrain: Terrain | None = None, forecast: Forecast | None = None
    ) -> None:
        self.plan = plan
        self.terrain = terrain
        self.forecast = forecast
        self.commands: list[Command] = []
        self._clock_s: dict[str, float] = {}  # latest reading of each station's clock
        self._ticked = False
        self._receptions: list[Reception] = []
        self._unusable: dict[Reception, str] = {}  # and in what exception it ended
        self._patterns = comment_patterns(plan)
        self._names = PlannedNames(plan)
        self.clocks = StationClocks(plan)
        self._open_books()

    def _open_books(self) -> None:
        plan = self.plan
        self.counts = Counts()
        self.fault_kinds: Counter[str] = Counter()  # of the unusable ones
        self.senders: dict[str, Sender] = {}
        self._track = Track(motion_constants(plan), launch_site(plan))
        self._rescaled: set[str] = set()  # senders whose pressures are to be worked out again
        self._held: list[Taken] = []  # by other stations, later than now; sorted
        self.undated: Counter[str] = Counter()  # not used of stations whose date is wrong
        self._latest_taken_s = 0.0  # of other stations
        self.trackers = trackers_heard(plan)
        self._planned = {*self.trackers}
        self.vehicles = vehicles_heard(plan)
        self._arrivals = Arrivals()
        self._receivers = Receivers()
        self._track.hear_crew(self._statements())

    def phase_said(self) -> Command | None:
        """What a crew member said last of the phase, and did not withdraw."""
        said = None
        for command in self.commands:
            if command.kind == "phase":
                said = None if command.name == "withdrawn" else command
        return said

    def _statements(self) -> list[tuple[float, Statement]]:
        """What the crew said of the phase, in order of time, without what was withdrawn."""
        kept: list[tuple[float, Statement]] = []
        for command in self.commands:
            if command.kind != "phase":
                continue
            if command.name == "withdrawn":
                del kept[-1:]
            else:
                at_s = command.at_s - self.clocks.ahead_s(command.station, command.at_s)
                kept.append((at_s, cast(Statement, command.name)))
        return kept

    @property
    def track(self) -> Track:
        """The fused track, with the pressures by the last definitions of telemetry."""
        while self._rescaled:
            name = self._rescaled.pop()
            gone, come = self.senders[name].rescale()
            if name in self.trackers:
                self._change_track(gone, come)
        return self._track

    @property
    def now_s(self) -> float:
        """UTC now: the station's clock, put right where GPS times show that it is wrong."""
        return self._reading()[1] - self.now_ahead_s

    @property
    def now_ahead_s(self) -> float:
        """How far the station's clock is ahead of GPS time now; 0 while it looks right."""
        return self.clocks.ahead_s(*self._reading())

    @property
    def held(self) -> dict[str, list[float]]:
        """When other stations say that they heard what is not used, because it is later than now."""
        found: dict[str, list[float]] = {}
        for one in self._held:
            found.setdefault(one.reception.station, []).append(one.heard_at_ms / 1000.0)
        return found

    def apply(self, given: Reception | Tick | Command) -> tuple[Event, ...]:
        """Take one input in; returns the events of the track that are new with it."""
        if isinstance(given, Tick):
            self._read_clock(self.plan.station, given.now_s)
            self._ticked = True
            self._settle(self._choose_reference())
            return ()
        if isinstance(given, Command):
            self._read_clock(given.station, given.at_s)
            bisect.insort(self.commands, given, key=lambda command: command.key)
            self._settle(False)
            if given.kind == "phase":
                self._track.hear_crew(self._statements())
            return ()
        before = self.events()
        self.receive([given])
        kinds = {(e.kind, round(e.noticed_s)) for e in before}
        return tuple(e for e in self.events() if (e.kind, round(e.noticed_s)) not in kinds)

    def receive(self, receptions: list[Reception]) -> None:
        """Take many in at once: the same as one by one, but the track runs only once.

        Whatever a reception does, it is counted as unusable, and the others are taken in.
        """
        self._receptions += receptions
        moved, unusable = False, len(self._unusable)
        for reception in receptions:
            moved |= self._try(reception, learn=True)
        if len(self._unusable) > unusable:
            self.clocks = StationClocks(self.plan)
            self._rebuild(learn=True)
            moved = False
        out_of_order = self._receivers.out_of_order
        self._settle(moved | self._choose_reference() | out_of_order)

    def _settle(self, moved: bool) -> None:
        """Take in again what has other times now, and what is not later than now any more."""
        if moved or self._latest_taken_s > self.horizon_s():
            self._rebuild(learn=False)
        horizon_s, unusable = self.horizon_s(), len(self._unusable)
        while self._held and self._held[0].heard_at_ms / 1000.0 <= horizon_s:
            one = self._held.pop(0)
            self._guard(one.reception, self._place, one)
        if len(self._unusable) > unusable:
            self._rebuild(learn=False)

    def _rebuild(self, *, learn: bool) -> None:
        """All receptions once more in their canonical order.

        What a clock's error is taken to be when a packet is heard depends on others, as does which
        receiver speaks for its source; and what ended in an exception may have left a half behind.
        """
        self._receptions.sort()
        unusable = -1
        while unusable != len(self._unusable):
            unusable = len(self._unusable)
            self._open_books()
            if learn:
                self.clocks = StationClocks(self.plan)
                for reception in self._receptions:
                    self._learn(reception)
                self._choose_reference()
            for reception in self._receptions:
                self._try(reception, learn=False)

    def events(self) -> tuple[Event, ...]:
        """Launch, burst, landing, as best known now."""
        return self.track.checkpoint().phase.events

    def landing_question(self) -> LandingQuestion | None:
        """All that a landing prediction needs, as of now; None without a track."""
        return ask(self.track, self.plan, self.terrain, self.forecast, self.counts.total)

    def _guard(self, reception: Reception, work: Callable[..., T], *given: Any) -> T | None:
        """The result of `work`; None when it ended in an exception, and the reception is left out."""
        try:
            return work(*given)
        except Exception as fault:  # no reception may end the flight, nor the next start
            self._unusable[reception] = type(fault).__name__
            return None

    def _try(self, reception: Reception, *, learn: bool) -> bool:
        """True when times of packets heard before are to be read otherwise now."""
        if reception in self._unusable or not EARLIEST_S <= reception.heard_at_s <= LATEST_S:
            fault = self._unusable.get(reception, "no time of this century")
            self.fault_kinds[fault] += 1
            self.counts = self.counts._replace(
                total=self.counts.total + 1, unusable=self.counts.unusable + 1
            )
            return False
        return bool(self._guard(reception, self._receive, reception, learn))

    def _learn(self, reception: Reception) -> None:
        """What it says of clocks alone."""
        if reception in self._unusable or not EARLIEST_S <= reception.heard_at_s <= LATEST_S:
            return
        self._guard(reception, self._learn_from, reception)

    def _learn_from(self, reception: Reception) -> None:
        self.clocks.learn(reception, self._decoded(reception, reception.heard_at_s))

    def _decoded(self, reception: Reception, heard_at_s: float) -> Decoding:
        """With names as the plan spells them."""
        reading = self.plan.readings.get(reception.source)
        return self._names.spelled(decoded(reception, heard_at_s, reading))

    def _receive(self, reception: Reception, learn: bool) -> bool:
        self._read_clock(reception.station, reception.heard_at_s)
        decoding = self._decoded(reception, reception.heard_at_s)
        unread = decoding.problem is not None and not decoding.reports
        self.counts = self.counts._replace(
            total=self.counts.total + 1, undecodable=self.counts.undecodable + unread
        )
        moved = learn and self.clocks.learn(reception, decoding)
        station = self.clocks.station(reception)
        ahead_s = self.clocks.ahead_s(station, reception.heard_at_s)
        if ahead_s != 0.0:  # the day that a time without a date belongs to
            decoding = self._decoded(reception, reception.heard_at_s - ahead_s)
        decoding = self._by_receiver(decoding, reception)
        heard_at_ms = reception.heard_at_ms - round(1000.0 * ahead_s)
        self._place(Taken(heard_at_ms, reception, decoding))
        return moved

    def _by_receiver(self, decoding: Decoding, reception: Reception) -> Decoding:
        """Where several receivers share a source, each has a name of its own."""
        if not decoding.device:
            return decoding
        fix = any(isinstance(r, PositionReport) and r.valid for r in decoding.reports)
        reading = self.plan.readings.get(reception.source)
        suffix = self._receivers.suffix(reception, decoding.device, fix, reading)
        if not suffix:
            return decoding
        reports = tuple(replace(r, name=r.name + suffix) for r in decoding.reports)
        return replace(decoding, reports=reports)

    def _place(self, taken: Taken) -> None:
        """Take it in, or hold it back."""
        heard_s = taken.heard_at_ms / 1000.0
        station = self.clocks.station(taken.reception)
        if station != self.plan.station:
            if self.clocks.is_undated(station):
                self.undated[station] += 1
                return
            if heard_s > self.horizon_s():
                bisect.insort(self._held, taken, key=Taken.order)
                return
            self._latest_taken_s = max(self._latest_taken_s, heard_s)
        for name, reports in by_name(taken.decoding, self._patterns).items():
            self._hear(name, taken, reports)

    def horizon_s(self) -> float:
        """Nothing is heard later; infinity while our own clock has not been read."""
        if self.plan.station not in self._clock_s or self.clocks.all_are_later:
            return float("inf")
        return self.now_s + (_ALLOWED_S if self._ticked else _ALLOWED_UNTICKED_S)

    def _choose_reference(self) -> bool:
        own_s = self._clock_s.get(self.plan.station)
        return self.clocks.choose_reference(own_s, _ALLOWED_S)

    def _read_clock(self, station: str, reading_s: float) -> None:
        self._clock_s[station] = max(self._clock_s.get(station, 0.0), reading_s)

    def _reading(self) -> tuple[str, float]:
        """Our own clock where it has been read, for another station's may be wrong; else the latest."""
        own = self.plan.station
        if own in self._clock_s and own:
            return own, self._clock_s[own]
        return max(self._clock_s.items(), key=lambda item: item[1], default=(own, 0.0))

    def _hear(self, name: str, taken: Taken, reports: tuple[Report, ...]) -> None:
        followed = name in self.trackers or name in self.vehicles or self.plan.infer_trackers
        content, hearing = taken.content_and_hearing()
        text = taken.text() if followed or taken.decoding.transmission is None else ""
        change = self._arrivals.take(name, content, hearing, reports, text)
        sender = self.senders.get(name)
        if sender is None:
            health = TrackerHealth(self.plan.alarms.silent_after_intervals)
            sender = self.senders[name] = Sender(name, health, followed)
        gone, come = sender.apply(change)
        if sender.pressures_due:
            self._rescaled.add(name)
        if name in self.trackers:
            self._change_track(gone, come)
        elif self._shows_itself_a_tracker(name, reports):
            self._infer(name)
            self._track.add(sender.all_fixes())

    def _infer(self, name: str) -> None:
        """Behind the planned ones, by name: which shows itself first depends on what is heard first."""
        inferred = {*self.trackers} - self._planned | {name}
        for one in inferred - {name}:
            del self.trackers[one]
        self.trackers |= {one: TrackerPlan(one, callsign=one) for one in sorted(inferred)}

    def _change_track(self, gone: list[Fix], come: list[Fix]) -> None:
        for fix in gone:
            self._track.remove(fix)
        self._track.add(come)

    def _shows_itself_a_tracker(self, name: str, reports: tuple[Report, ...]) -> bool:
        """Without a plan: whoever reports from high up for itself, and is no vehicle."""
        if not self.plan.infer_trackers or name in self.vehicles:
            return False
        return any(isinstance(r, PositionReport) and shows_a_tracker(r) for r in reports)
