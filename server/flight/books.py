"""The books of a mission: who was heard, who is a tracker, the fused track of each flight.

Fed receptions that are decoded, with times of hearing that are put right. What grows with the length of
the flight (the filter behind a late fix, pressures and readings after a new definition, what a late
packet changes of a tracker's interval) is left to `work`, in counted steps.
"""

from __future__ import annotations

import bisect
from collections import Counter
from collections.abc import Iterator
from typing import Any, NamedTuple

from decoders.reports import NoteReport, PositionReport, Report
from server.flight.inputs import Plan, TrackerPlan
from server.flight.packets.beacon_health import TrackerHealth
from server.flight.packets.deduplication import Deduplication
from server.flight.packets.heard import Taken
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
from server.flight.search.notes import Notes
from server.flight.track.fixes import Fix
from server.flight.track.track import Track

_FREED_AT_ONCE = 16


class Counts(NamedTuple):
    total: int = 0
    undecodable: int = 0
    unusable: int = 0  # receptions that could not be taken in, whatever they hold


class Books:
    """A function of the set of what was taken in, and of `clocks` as they are now."""

    def __init__(self, plan: Plan, clocks: StationClocks) -> None:
        self.plan = plan
        self.clocks = clocks
        self._patterns = comment_patterns(plan)
        self.counts = Counts()
        self.fault_kinds: Counter[str] = Counter()  # of the unusable ones
        self.senders: dict[str, Sender] = {}
        self.tracks = [Track(motion_constants(one), launch_site(one)) for one in plan.flights]
        self._flights = {
            name: n for n, one in enumerate(plan.flights) for t in one.trackers for name in t.names
        }
        self.held: list[Taken] = []  # by other stations, later than now; sorted
        self.undated: Counter[str] = Counter()  # not used of stations whose date is wrong
        self.latest_taken_s = 0.0  # of other stations
        self.trackers = trackers_heard(plan)
        self._planned = {*self.trackers}
        self.vehicles = vehicles_heard(plan)
        self._deduplication = Deduplication()
        self.receivers = Receivers()
        self._due: dict[str, None] = {}  # senders that have work left
        self.notes = Notes()  # of the crew
        self.broken = False  # half of a reception may have been left in them

    def place(self, taken: Taken, horizon_s: float) -> None:
        """Take it in, or hold it back where another station heard it later than `horizon_s`."""
        heard_s = taken.heard_at_ms / 1000.0
        station = self.clocks.station(taken.reception)
        if station != self.plan.station:
            if self.clocks.is_undated(station):
                self.undated[station] += 1
                return
            if heard_s > horizon_s:
                bisect.insort(self.held, taken, key=Taken.order)
                return
            self.latest_taken_s = max(self.latest_taken_s, heard_s)
        if taken.reception.wire == "note":
            for report in taken.decoding.reports:
                if isinstance(report, NoteReport):
                    self.notes.take(report, taken.order())
            return
        for name, reports in by_name(taken.decoding, self._patterns).items():
            self._hear(name, taken, reports)

    def work(self, steps: int) -> int:
        """Go on with what is left, at most so many steps; returns how many were not needed."""
        for track in self.tracks:
            steps = track.keep_up(steps)
        steps = self.work_senders(steps)
        for track in self.tracks:
            steps = track.work(steps)
        return steps

    def work_senders(self, steps: int) -> int:
        """Of `work`, what is not the tracks'."""
        while self._due and steps > 0:
            name = next(iter(self._due))
            sender = self.senders[name]
            gone, come, steps = sender.work(steps)
            if name in self.trackers:
                self._change_track(name, gone, come)
            if not sender.pending:
                del self._due[name]
        return steps

    def take_over(self, other: Books) -> None:
        """Other books of the same plan: what their tracks have run need not be run again."""
        for track, theirs in zip(self.tracks, other.tracks, strict=True):
            track.take_over(theirs)

    def flight_of(self, name: str) -> int:
        """Which flight a tracker belongs to, by the name that is heard; one that showed itself: the first."""
        return self._flights.get(name, 0)

    def wind_up(self) -> Iterator[None]:
        """Free them little by little, as fast as one reception is taken in: all at once takes 50 ms."""
        held: list[list[Any] | dict[Any, Any]] = [self._deduplication.groups]
        for sender in self.senders.values():
            held += sender.containers()
        for track in self.tracks:
            held += track.shown.containers()
        for container in held:
            while container:
                if isinstance(container, list):
                    del container[-_FREED_AT_ONCE:]
                else:
                    for _ in range(min(_FREED_AT_ONCE, len(container))):
                        container.popitem()
                yield

    @property
    def pending(self) -> bool:
        """Whether there is work left."""
        return bool(self._due) or any(track.pending for track in self.tracks)

    def _hear(self, name: str, taken: Taken, reports: tuple[Report, ...]) -> None:
        followed = name in self.trackers or name in self.vehicles or self.plan.infer_trackers
        content, hearing = taken.content_and_hearing()
        text = taken.text() if followed or taken.decoding.transmission is None else ""
        sender = self.senders.get(name)
        if sender is None:
            plan = self.plan.flights[self.flight_of(name)]
            health = TrackerHealth(plan.alarms.silent_after_intervals)
            site = launch_site(plan) if name in self.trackers else None
            sender = Sender(name, health, followed, name in self.vehicles, site)
            self.senders[name] = sender
        change = self._deduplication.take(sender.name, content, hearing, reports, text)
        gone, come = sender.apply(change)
        if name in self.trackers:
            self._change_track(name, gone, come)
        elif self._shows_itself_a_tracker(name, reports):
            self._infer(name)
            self.tracks[self.flight_of(name)].add(sender.all_fixes())
        if sender.pending and name in self.trackers:
            self._due[name] = None

    def _infer(self, name: str) -> None:
        """Behind the planned ones, by name: which shows itself first depends on what is heard first."""
        inferred = {*self.trackers} - self._planned | {name}
        for one in inferred - {name}:
            del self.trackers[one]
        self.trackers |= {one: TrackerPlan(one, callsign=one) for one in sorted(inferred)}

    def _change_track(self, name: str, gone: list[Fix], come: list[Fix]) -> None:
        track = self.tracks[self.flight_of(name)]
        for fix in gone:
            track.remove(fix)
        track.add(come)

    def _shows_itself_a_tracker(self, name: str, reports: tuple[Report, ...]) -> bool:
        """Without a plan: whoever reports from high up for itself, and is no vehicle."""
        if not self.plan.infer_trackers or name in self.vehicles:
            return False
        return any(isinstance(r, PositionReport) and shows_a_tracker(r) for r in reports)
