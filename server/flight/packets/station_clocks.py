"""The clocks of all stations of a flight: each against GPS time, and against our own.

Packets of the flight's own trackers tell by how much a clock is off, but for whole days: most carry no
date. A packet that two stations heard tells how far their clocks are apart, whatever it carries.
"""

from __future__ import annotations

import bisect

from decoders.reports import Decoding, PositionReport
from server.flight.inputs import Plan, Reception
from server.flight.packets.clock_offset import Clock

INFERRED_TRACKER_ALTITUDE_M = 3_000.0
_USUAL_LAG_S = 2.0  # median of real flights: checks.md
_DAY_S = 86_400.0
_FEWEST_ALOFT = 3
_PLAUSIBLE_S = _DAY_S / 2
_SAME_OF_DAY_S = 120.0  # two ways to tell one clock's error, whole days apart
_COPY_S = 12.0  # heard again later by the same station, it was sent again
_TOGETHER_S = 3_600.0  # stations heard last within this are both at work


class StationClocks:
    """A function of the set of receptions, and of what our own clock reads now."""

    def __init__(self, plan: Plan) -> None:
        self._own = plan.station
        self._infer = plan.infer_trackers
        self._vehicles = {name for vehicle in plan.vehicles for name in vehicle.names}
        # who may tell the time: trackers, and the receiver of the car that carries the station. A
        # phone sends what it saved, and anybody else's clock is his own affair
        self.witnesses: set[str] = {
            name for tracker in plan.trackers if tracker.role != "phone" for name in tracker.names
        } | {v.source for v in plan.vehicles if v.own and v.source is not None}
        self._clocks: dict[str, Clock] = {}  # against GPS time
        self._apart: dict[str, Clock] = {}  # against the reference station's
        self._first_last_s: dict[tuple[str, bytes], dict[str, tuple[float, float]]] = {}
        self._paired: dict[tuple[str, bytes, str], tuple[float, float]] = {}
        # to be held against another reference than before
        self._unpaired: list[tuple[str, bytes]] = []
        self._read_s: dict[str, float] = {}  # see `_read_to_s`
        self._heard_s: dict[
            str, tuple[float, float]
        ] = {}  # first and last of each, by its own clock
        self._aloft_s: dict[str, list[float]] = {}  # hearings of trackers above 3,000 m, sorted
        self._days: dict[str, int] = {}  # see `_count_days`
        self.reference = plan.station
        self.all_are_later = False  # than our clock, by which nothing was heard: ours is behind

    def station(self, reception: Reception) -> str:
        """Whose clock timed it: a phone's post names no station, and is ours."""
        return reception.station or self._own

    def ahead_s(self, station: str, reading_s: float) -> float:
        """How far that station's clock was ahead of GPS time; 0 while it looks right."""
        clock = self._clocks.get(station)
        by_gps_s = None if clock is None else clock.known_s(reading_s)
        apart = self._apart.get(station)
        apart_s = None if apart is None or station == self.reference else apart.known_s(reading_s)
        if apart_s is None:
            return (by_gps_s or 0.0) + self._days.get(station, 0) * _DAY_S
        told_s = apart_s + self.ahead_s(self.reference, reading_s - apart_s)
        if by_gps_s is None:
            return told_s
        whole_days_s = round((told_s - by_gps_s) / _DAY_S) * _DAY_S
        if abs(told_s - by_gps_s - whole_days_s) <= _SAME_OF_DAY_S:
            return by_gps_s + whole_days_s
        return told_s

    def is_undated(self, station: str) -> bool:
        """Its clock shows another day, and nothing tells what time of ours that is."""
        if not self._days.get(station):
            return False
        clocks = (self._clocks.get(station), self._apart.get(station))
        return not any(clock is not None and clock.is_known for clock in clocks)

    def _count_days(self) -> bool:
        """By how many days stations heard the trackers aloft apart from ours: they fly once. True when
        that is another number than before."""
        days = {}
        ours = self._aloft_s.get(self.reference, [])
        for station, theirs in self._aloft_s.items():
            if station != self.reference and min(len(theirs), len(ours)) >= _FEWEST_ALOFT:
                apart_s = self._aloft_at_s(station) - self._aloft_at_s(self.reference)
                days[station] = round(apart_s / _DAY_S)
        undated = [self.is_undated(station) for station in self._aloft_s]
        before, self._days = self._days, days
        return days != before or undated != [self.is_undated(one) for one in self._aloft_s]

    def _aloft_at_s(self, station: str) -> float:
        """The middle of its hearings from aloft, by GPS time but for whole days."""
        heard_s = self._aloft_s[station]
        middle_s = heard_s[len(heard_s) // 2]
        clock = self._clocks.get(station)
        return middle_s - (0.0 if clock is None else clock.known_s(middle_s) or 0.0)

    def learn(self, reception: Reception, decoding: Decoding) -> bool:
        """Take in what a reception tells of clocks; `decoding` is by its uncorrected time of hearing.

        True when receptions that were taken in before have other times now.
        """
        station, heard_s = self.station(reception), reception.heard_at_s
        moved = reception.wire != "phone" and self._learn(station, heard_s, decoding)
        self._read_s[station] = max(heard_s, self._read_to_s(station))
        return moved

    def _read_to_s(self, station: str) -> float:
        """The latest time of hearing that was put right by this clock."""
        return self._read_s.get(station, float("-inf"))

    def _learn(self, station: str, heard_s: float, decoding: Decoding) -> bool:
        first_s, latest_s = self._heard_s.get(station, (heard_s, heard_s))
        self._heard_s[station] = (min(first_s, heard_s), max(latest_s, heard_s))
        moved = False
        for report in decoding.reports:
            if not isinstance(report, PositionReport) or report.object_of or not report.valid:
                continue
            moved |= self._admit(report)
            if self._own and report.name in self.witnesses and shows_a_tracker(report):
                bisect.insort(self._aloft_s.setdefault(station, []), heard_s)
            ahead_s = heard_s - (report.time_s or 0.0) - _USUAL_LAG_S
            if report.time_s is None or abs(ahead_s) > _PLAUSIBLE_S or not self._kept(report.name):
                continue
            alone = station == self._own
            clock = self._clock_in(self._clocks, station, may_jump=False, alone=alone)
            moved |= clock.hear(report.name, (heard_s, ahead_s), self._read_to_s(station))
        transmission = decoding.transmission
        if self._own and transmission is not None and self._kept(transmission.sender):
            moved |= self._pair(transmission.sender, transmission.information, station, heard_s)
        if len(self._aloft_s) > 1:
            moved |= self._count_days()
        return moved

    def _clock_in(
        self, clocks: dict[str, Clock], station: str, *, may_jump: bool, alone: bool
    ) -> Clock:
        """Of that station; a new one where it has none."""
        if station not in clocks:
            clocks[station] = Clock(self.witnesses, may_jump=may_jump, alone=alone)
        return clocks[station]

    def choose_reference(self, own_now_s: float | None, allowed_s: float) -> bool:
        """Ours where it has heard anything. Otherwise the first by name of those that are at work: a
        clock that reads later than now is wrong. True when it is another one than before."""
        chosen, self.all_are_later = self._own, False
        if chosen not in self._heard_s and self._heard_s:
            now_s = float("inf") if own_now_s is None else own_now_s + allowed_s
            latest_s = {
                n: min(last, now_s) for n, (first, last) in self._heard_s.items() if first <= now_s
            }
            if not latest_s:
                self.all_are_later = True
                latest_s = {n: last for n, (_, last) in self._heard_s.items()}
            at_work_s = max(latest_s.values()) - _TOGETHER_S
            chosen = min(n for n, s in latest_s.items() if s >= at_work_s)
        if chosen == self.reference:
            return False
        self.reference = chosen
        self._apart.clear()
        self._paired.clear()
        self._unpaired = list(self._first_last_s)
        return True

    def work(self, steps: int) -> int:
        """Go on with another reference, a packet a step; returns how many steps are left.

        Times are to be read by the clocks when nothing is pending any more.
        """
        while self._unpaired and steps > 0:
            name, content = self._unpaired.pop()
            steps -= 1
            for station in self._first_last_s[name, content]:
                self._pair_with_reference(name, content, station)
        if not self._unpaired:
            self._count_days()
        return steps

    @property
    def pending(self) -> bool:
        """Whether there is work left."""
        return bool(self._unpaired)

    def _kept(self, name: str) -> bool:
        """Without a plan anybody may turn out a tracker later."""
        return name in self.witnesses or (self._infer and name not in self._vehicles)

    def _admit(self, report: PositionReport) -> bool:
        name = report.name
        if not self._infer or name in self.witnesses or not shows_a_tracker(report):
            return False
        if name in self._vehicles:
            return False
        self.witnesses.add(name)
        clocks = (*self._clocks.values(), *self._apart.values())
        moved = [clock.admit(name) for clock in clocks]
        return any(moved)

    def _pair(self, name: str, content: bytes, station: str, heard_s: float) -> bool:
        heard = self._first_last_s.setdefault((name, content), {})
        first_s, last_s = heard.get(station, (heard_s, heard_s))
        heard[station] = (min(first_s, heard_s), max(last_s, heard_s))
        if len(heard) == 1:
            return False
        touched = list(heard) if station == self.reference else [station]
        moved = False
        for other in touched:
            moved |= self._pair_with_reference(name, content, other)
        return moved

    def _pair_with_reference(self, name: str, content: bytes, station: str) -> bool:
        """What this packet says of a station's clock, in the place of what it said before."""
        heard = self._first_last_s[name, content]
        if station == self.reference or self.reference not in heard:
            return False
        (first_s, last_s), (ours_s, our_last_s) = heard[station], heard[self.reference]
        key, sample = (name, content, station), (first_s, first_s - ours_s)
        once = last_s - first_s <= _COPY_S and our_last_s - ours_s <= _COPY_S
        old = self._paired.get(key)
        if old == (sample if once else None):
            return False
        clock = self._clock_in(self._apart, station, may_jump=True, alone=False)
        moved = False
        if old is not None:
            moved |= clock.remove(name, self._paired.pop(key), self._read_to_s(station))
        if once:
            self._paired[key] = sample
            moved |= clock.add(name, sample, self._read_to_s(station))
        return moved

    def wrong(self) -> dict[str, float]:
        """Stations other than ours whose clock is off, and by how much when it was last heard."""
        return {
            station: ahead_s
            for station, (_, latest_s) in sorted(self._heard_s.items())
            if station != self._own and (ahead_s := self.ahead_s(station, latest_s)) != 0.0
        }


def shows_a_tracker(report: PositionReport) -> bool:
    """Without a plan: whoever reports from high up for itself is a tracker of the flight."""
    if not report.valid or report.object_of:
        return False
    return (report.altitude_m or 0.0) > INFERRED_TRACKER_ALTITUDE_M
