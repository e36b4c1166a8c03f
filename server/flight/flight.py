"""The flight: inputs in, events out, and a snapshot at any moment.

`Flight` keeps the books: who was heard, who is a tracker, a vehicle or a station, and the fused
track. What the crew sees of it is put together in snapshot.py; the landing is computed elsewhere from
`landing_question()` and never comes back in.
"""

from __future__ import annotations

import bisect
from dataclasses import replace
from typing import NamedTuple, cast

from decoders.comments import CommentPattern
from decoders.decode import decode
from decoders.readings import Reading
from decoders.reports import Decoding, PositionReport, Report
from server.flight.clocks import Clocks
from server.flight.health import TrackerHealth
from server.flight.inputs import Command, Plan, Reception, Tick, TrackerPlan, VehiclePlan
from server.flight.landing.question import Forecast, LandingQuestion, Terrain, ask
from server.flight.names import PlannedNames
from server.flight.receivers import Receivers
from server.flight.senders import Sender
from server.flight.track.arrivals import Arrivals, Hearing
from server.flight.track.events import Event
from server.flight.track.fixes import Fix
from server.flight.track.modes import MotionConstants
from server.flight.track.phase import Statement
from server.flight.track.track import Track

INFERRED_TRACKER_ALTITUDE_M = 3_000.0


class Counts(NamedTuple):
    total: int = 0
    undecodable: int = 0


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
        self._receptions: list[Reception] = []
        self._patterns = _patterns(plan)
        self._names = PlannedNames(plan)
        self._open_books()

    def _open_books(self) -> None:
        plan = self.plan
        self.counts = Counts()
        self.clocks: dict[str, Clocks] = {}  # by station
        self.senders: dict[str, Sender] = {}
        self.track = Track(_constants(plan), _origin(plan))
        self.trackers: dict[str, TrackerPlan] = {  # by the name that is heard
            name: tracker
            for tracker in plan.trackers
            for name in (tracker.callsign, tracker.source)
            if name is not None
        }
        self.vehicles: dict[str, VehiclePlan] = {
            name: vehicle
            for vehicle in plan.vehicles
            for name in (vehicle.callsign, vehicle.source)
            if name is not None
        }
        self._arrivals = Arrivals()
        self._receivers = Receivers()
        self.track.hear_crew(self._statements())

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
                at_s = command.at_s - self._ahead_s(command.station, command.at_s)
                kept.append((at_s, cast(Statement, command.name)))
        return kept

    @property
    def now_s(self) -> float:
        """UTC now: the station's clock, put right where GPS times show that it is wrong."""
        return self._reading()[1] - self.now_ahead_s

    @property
    def now_ahead_s(self) -> float:
        """How far the station's clock is ahead of GPS time now; 0 while it looks right."""
        return self._ahead_s(*self._reading())

    def apply(self, given: Reception | Tick | Command) -> tuple[Event, ...]:
        """Take one input in; returns the events of the track that are new with it."""
        if isinstance(given, Tick):
            self._read_clock(self.plan.station, given.now_s)
            return ()
        if isinstance(given, Command):
            self._read_clock(given.station, given.at_s)
            bisect.insort(self.commands, given, key=lambda command: command.key)
            if given.kind == "phase":
                self.track.hear_crew(self._statements())
            return ()
        before = self.events()
        self.receive([given])
        kinds = {(e.kind, round(e.noticed_s)) for e in before}
        return tuple(e for e in self.events() if (e.kind, round(e.noticed_s)) not in kinds)

    def receive(self, receptions: list[Reception]) -> None:
        """Take many in at once: the same as one by one, but the track runs only once."""
        self._receptions += receptions
        clock_moved = False
        for reception in receptions:
            clock_moved |= self._receive(reception)
        if clock_moved or self._receivers.out_of_order:
            self._rebuild()

    def _rebuild(self) -> None:
        """All receptions once more in their canonical order, now that the clock's error is known:
        what it is taken to be when a packet is heard depends on those before it, as does which
        receiver speaks for its source."""
        self._receptions.sort()
        clocks = self.clocks
        self._open_books()
        self.clocks = clocks
        for reception in self._receptions:
            self._receive(reception, learn_clock=False)

    def events(self) -> tuple[Event, ...]:
        """Launch, burst, landing, as best known now."""
        return self.track.checkpoint().phase.events

    def landing_question(self) -> LandingQuestion | None:
        """All that a landing prediction needs, as of now; None without a track."""
        return ask(self.track, self.plan, self.terrain, self.forecast, self.counts.total)

    def _receive(self, reception: Reception, *, learn_clock: bool = True) -> bool:
        """True when times of packets heard before are to be read otherwise now."""
        self._read_clock(reception.station, reception.heard_at_s)
        reading = self.plan.readings.get(reception.source)
        decoding = self._names.spelled(
            decode(
                reception.wire, reception.payload, reception.heard_at_s, reception.source, reading
            )
        )
        decoding = self._by_receiver(decoding, reception, reading)
        unread = decoding.problem is not None and not decoding.reports
        self.counts = Counts(self.counts.total + 1, self.counts.undecodable + unread)
        if decoding.transmission is None and not decoding.reports:
            return False
        ahead_s = self._ahead_s(reception.station, reception.heard_at_s)
        heard_at_ms = reception.heard_at_ms - round(1000.0 * ahead_s)
        for name, reports in self._by_name(decoding, reception).items():
            self._hear(name, heard_at_ms, reception, decoding, reports)
        moved = False
        if learn_clock and reception.wire != "phone":  # a phone sends what it saved
            clocks = self.clocks.setdefault(reception.station, Clocks())
            for report in decoding.reports:
                if isinstance(report, PositionReport) and report.time_s is not None:
                    moved |= clocks.add(reception.heard_at_s, report.time_s)
        return moved

    def _by_receiver(
        self, decoding: Decoding, reception: Reception, reading: Reading | None
    ) -> Decoding:
        """Where several receivers share a source, each has a name of its own."""
        if not decoding.device:
            return decoding
        fix = any(isinstance(r, PositionReport) and r.valid for r in decoding.reports)
        suffix = self._receivers.suffix(reception, decoding.device, fix, reading)
        if not suffix:
            return decoding
        reports = tuple(replace(r, name=r.name + suffix) for r in decoding.reports)
        return replace(decoding, reports=reports)

    def _read_clock(self, station: str, reading_s: float) -> None:
        self._clock_s[station] = max(self._clock_s.get(station, 0.0), reading_s)

    def _reading(self) -> tuple[str, float]:
        """Our own clock where it has been read, for another station's may be wrong; else the latest."""
        own = self.plan.station
        if own in self._clock_s and own:
            return own, self._clock_s[own]
        return max(self._clock_s.items(), key=lambda item: item[1], default=(own, 0.0))

    def _ahead_s(self, station: str, reading_s: float) -> float:
        clocks = self.clocks.get(station)
        return 0.0 if clocks is None else clocks.ahead_s(reading_s)

    def _by_name(self, decoding: Decoding, reception: Reception) -> dict[str, tuple[Report, ...]]:
        """Reports by whom they speak of. The sender is there even when it reports nothing readable."""
        by_name: dict[str, tuple[Report, ...]] = {}
        if decoding.transmission is not None:
            by_name[decoding.transmission.sender] = ()
        for report in decoding.reports:
            by_name[report.name] = (*by_name.get(report.name, ()), report)
            pattern = self._patterns.get(report.name)
            if pattern is not None and isinstance(report, PositionReport):
                sensors = pattern.read(report.name, report.comment, report.time_s)
                if sensors is not None:
                    by_name[report.name] += (sensors,)
        return by_name

    def _hear(
        self,
        name: str,
        heard_at_ms: int,
        reception: Reception,
        decoding: Decoding,
        reports: tuple[Report, ...],
    ) -> None:
        transmission = decoding.transmission
        followed = name in self.trackers or name in self.vehicles or self.plan.infer_trackers
        text = ""  # for people, who are shown the packets of those whom they follow
        if transmission is not None:
            content = transmission.information
            hearing = Hearing(
                heard_at_ms,
                reception.source,
                transmission.repeated_by,
                transmission.fed_by or "",
            )
            if followed:
                via = "".join(f",{v}" for v in transmission.path)
                said = content.decode("latin-1")
                text = f"{transmission.sender}>{transmission.destination}{via}:{said}"
        else:
            content = reception.payload
            hearing = Hearing(heard_at_ms, reception.source, (), "")
            text = content.decode("utf-8", "replace")
        change = self._arrivals.take(name, content, hearing, reports, text)
        sender = self.senders.get(name)
        if sender is None:
            health = TrackerHealth(self.plan.alarms.silent_after_intervals)
            sender = self.senders[name] = Sender(name, health, followed)
        gone, come = sender.apply(change)
        if name in self.trackers:
            for fix in gone:
                self.track.remove(fix)
            self.track.add(come)
        elif self._shows_itself_a_tracker(name, come, reports):
            self.trackers[name] = TrackerPlan(name=name, callsign=name)
            self.track.add(sender.all_fixes())

    def _shows_itself_a_tracker(
        self, name: str, fixes: list[Fix], reports: tuple[Report, ...]
    ) -> bool:
        """Without a plan: whoever reports from high up for itself, and is no vehicle."""
        if not self.plan.infer_trackers or name in self.vehicles:
            return False
        if any(isinstance(r, PositionReport) and r.object_of for r in reports):
            return False
        return any((fix.altitude_m or 0.0) > INFERRED_TRACKER_ALTITUDE_M for fix in fixes)


def _constants(plan: Plan) -> MotionConstants:
    return MotionConstants(
        ascent_rate_ms=plan.balloon.ascent_rate_ms,
        ascent_rate_sigma_ms=max(plan.balloon.ascent_rate_sigma_ms, 1.5),
        ground_altitude_m=plan.launch.altitude_m,
        burst_from_m=plan.balloon.burst_altitude_m - 2.5 * plan.balloon.burst_altitude_sigma_m,
    )


def _patterns(plan: Plan) -> dict[str, CommentPattern]:
    return {
        name: CommentPattern(tracker.comment_pattern, tracker.comment_scales)
        for tracker in plan.trackers
        if tracker.comment_pattern is not None
        for name in (tracker.callsign, tracker.source)
        if name is not None
    }


def _origin(plan: Plan) -> tuple[float, float] | None:
    launch = plan.launch
    if launch.latitude_deg is None or launch.longitude_deg is None:
        return None
    return launch.latitude_deg, launch.longitude_deg
