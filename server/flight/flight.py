"""The flight: inputs in, events out, and a snapshot at any moment.

`Flight` keeps the books: who was heard, who is a tracker, a vehicle or a station, and the fused
track. What the crew sees of it is put together in snapshot.py; the landing is computed elsewhere from
`landing_question()` and never comes back in.
"""

from __future__ import annotations

from typing import NamedTuple

from decoders.comments import CommentPattern
from decoders.decode import decode
from decoders.reports import Decoding, PositionReport, Report
from server.flight.health import TrackerHealth
from server.flight.inputs import Command, Plan, Reception, Tick, TrackerPlan, VehiclePlan
from server.flight.landing.question import LandingQuestion, Terrain, ask
from server.flight.senders import Sender
from server.flight.track.arrivals import Arrivals, Hearing
from server.flight.track.fixes import Fix
from server.flight.track.modes import MotionConstants
from server.flight.track.phase import Event
from server.flight.track.track import Track

INFERRED_TRACKER_ALTITUDE_M = 3_000.0


class Counts(NamedTuple):
    total: int = 0
    undecodable: int = 0


class Flight:
    """State of one flight. The same set of receptions and commands gives the same state."""

    def __init__(self, plan: Plan, terrain: Terrain | None = None) -> None:
        self.plan = plan
        self.terrain = terrain
        self.now_s = 0.0
        self.counts = Counts()
        self.senders: dict[str, Sender] = {}
        self.commands: list[Command] = []
        self.track = Track(_constants(plan), _origin(plan))
        self.trackers: dict[str, TrackerPlan] = {}  # by the name that is heard
        self.vehicles: dict[str, VehiclePlan] = {}
        self._arrivals = Arrivals()
        self._patterns: dict[str, CommentPattern] = {}
        for tracker in plan.trackers:
            for name in filter(None, (tracker.callsign, tracker.source)):
                self.trackers[name] = tracker
                if tracker.comment_pattern is not None:
                    self._patterns[name] = CommentPattern(
                        tracker.comment_pattern, tracker.comment_scales
                    )
        for vehicle in plan.vehicles:
            for name in filter(None, (vehicle.callsign, vehicle.source)):
                self.vehicles[name] = vehicle

    def apply(self, given: Reception | Tick | Command) -> tuple[Event, ...]:
        """Take one input in; returns the events of the track that are new with it."""
        if isinstance(given, Tick):
            self.now_s = max(self.now_s, given.now_s)
            return ()
        if isinstance(given, Command):
            self.now_s = max(self.now_s, given.at_s)
            self.commands.append(given)
            return ()
        before = self.events()
        self._receive(given)
        kinds = {(e.kind, round(e.noticed_s)) for e in before}
        return tuple(e for e in self.events() if (e.kind, round(e.noticed_s)) not in kinds)

    def receive(self, receptions: list[Reception]) -> None:
        """Take many in at once: the same as one by one, but the track runs only once."""
        for reception in receptions:
            self._receive(reception)

    def events(self) -> tuple[Event, ...]:
        """Launch, burst, landing, as best known now."""
        return self.track.checkpoint().phase.events

    def landing_question(self) -> LandingQuestion | None:
        """All that a landing prediction needs, as of now; None without a track."""
        return ask(self.track, self.plan, self.terrain, self.counts.total)

    def _receive(self, reception: Reception) -> None:
        self.now_s = max(self.now_s, reception.heard_at_s)
        decoding = decode(reception.wire, reception.payload, reception.heard_at_s, reception.source)
        unread = decoding.problem is not None and not decoding.reports
        self.counts = Counts(self.counts.total + 1, self.counts.undecodable + unread)
        if decoding.transmission is None and not decoding.reports:
            return
        for name, reports in self._by_name(decoding, reception).items():
            self._hear(name, reception, decoding, reports)

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
        self, name: str, reception: Reception, decoding: Decoding, reports: tuple[Report, ...]
    ) -> None:
        transmission = decoding.transmission
        if transmission is not None:
            content = transmission.information
            hearing = Hearing(
                reception.heard_at_ms,
                reception.source,
                transmission.repeated_by,
                transmission.fed_by or "",
            )
            via = "".join(f",{v}" for v in transmission.path)
            text = f"{transmission.sender}>{transmission.destination}{via}:" + content.decode(
                "latin-1"
            )
        else:
            content = reception.payload
            hearing = Hearing(reception.heard_at_ms, reception.source, (), "")
            text = content.decode("utf-8", "replace")
        change = self._arrivals.take(name, content, hearing, reports, text)
        sender = self.senders.get(name)
        if sender is None:
            health = TrackerHealth(self.plan.alarms.silent_after_intervals)
            sender = self.senders[name] = Sender(name, health)
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
    )


def _origin(plan: Plan) -> tuple[float, float] | None:
    launch = plan.launch
    if launch.latitude_deg is None or launch.longitude_deg is None:
        return None
    return launch.latitude_deg, launch.longitude_deg
