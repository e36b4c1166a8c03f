"""Everyone heard: packets, places, sensors and health by name, whether it flies, drives or stands."""

from __future__ import annotations

import bisect
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from decoders.reports import PositionReport
from server.flight.packets.beacon_health import TrackerHealth
from server.flight.packets.deduplication import Change, Hearing, Packet
from server.flight.packets.last_place import LastPlace
from server.flight.packets.positions import (
    Entry,
    Site,
    SlotKey,
    entries_of,
    measured_pressure_pa,
    merged,
    possible,
    why_impossible,
)
from server.flight.packets.sensors import Reading, Sensors, may_tell_pressure
from server.flight.packets.sent_at import TimeDoubt, TimedReport, timed
from server.flight.track.fixes import Fix, place_of
from server.flight.tracker_state import Rejection


@dataclass(slots=True)
class Sender:
    """All that is known of one name."""

    name: str
    health: TrackerHealth
    followed: bool = True  # else a bystander: only its last place is asked for
    drives: bool = False  # the way of a vehicle is asked for
    site: Site | None = None  # of a tracker: the planned launch
    slots: dict[SlotKey, tuple[Entry, ...]] = field(default_factory=dict)  # of a followed one
    fixes: dict[SlotKey, tuple[Fix, ...]] = field(default_factory=dict)
    impossible: dict[SlotKey, Rejection] = field(default_factory=dict)
    packets: list[Packet] = field(default_factory=list)  # in order of first hearing
    doubted: Counter[TimeDoubt] = field(default_factory=Counter)  # positions, by their own times
    sensors: Sensors = field(default_factory=Sensors)
    # of a followed one, in canonical order: all fixes, a vehicle's times and places, and filled slots
    _ordered: list[Fix] = field(default_factory=list)
    _places: list[tuple[float, float, float]] = field(default_factory=list)
    _filled: list[SlotKey] = field(default_factory=list)
    _unscaled: list[SlotKey] = field(default_factory=list)  # pressures may be something else now
    _last: LastPlace = field(default_factory=LastPlace)  # of a bystander

    def apply(self, change: Change) -> tuple[list[Fix], list[Fix]]:
        """Take a change of packets in; fixes that go and fixes that come."""
        touched: dict[SlotKey, None] = {}
        told = may_tell_pressure(self.sensors.definitions())
        defined = again = False
        for packet in change.removed:
            positions = timed(packet)
            defined |= self._count(packet, -1, positions)
            for key, entry in entries_of(packet, positions):
                if self.followed:
                    left = list(self.slots[key])
                    left.remove(entry)
                    self.slots[key] = tuple(left)
                    touched[key] = None
                else:
                    again |= self._last.rests_on(key, self.impossible)
        for packet in change.added:
            positions = timed(packet)
            defined |= self._count(packet, +1, positions)
            for key, entry in entries_of(packet, positions):
                if self.followed:
                    self.slots[key] = (*self.slots.get(key, ()), entry)
                    touched[key] = None
                else:
                    again |= self._last.add(self.name, key, entry, self.impossible)
        if again:
            self._last.find(self.name, self.packets, self.impossible)
        if change.copy is not None:
            self.health.copies += 1
            self.health.direct += change.copy.new_direct
            self.health.heard_by[change.copy.hearing.heard_from] += change.copy.new_receiver
        if defined and (told or may_tell_pressure(self.sensors.definitions())):
            self._unscaled = [key for key, fixes in self.fixes.items() if fixes]
        return self._changed(touched)

    def work(self, steps: int) -> tuple[list[Fix], list[Fix], int]:
        """Go on with what a late packet or a new definition has left, at most so many steps.

        Fixes that go and fixes that come, as `apply`, and how many steps are left.
        """
        steps = self.sensors.work(self.health.work(steps))
        if not self._unscaled:  # as a rule
            return [], [], steps
        definitions = self.sensors.definitions()
        touched: dict[SlotKey, None] = {}
        while self._unscaled and steps > 0:
            key = self._unscaled.pop()
            steps -= 1
            fixes = self.fixes[key]
            if fixes and fixes[0].pressure_pa != measured_pressure_pa(self.slots[key], definitions):
                touched[key] = None
        return *self._changed(touched), steps

    @property
    def pending(self) -> bool:
        """Whether there is work left."""
        return bool(self._unscaled) or self.health.pending or self.sensors.pending

    def _changed(self, touched: Mapping[SlotKey, None]) -> tuple[list[Fix], list[Fix]]:
        gone: list[Fix] = []
        come: list[Fix] = []
        for key in touched:
            after = self._fixes_at(key)
            before = self.fixes.get(key, ())
            self.fixes[key] = after
            gone += [fix for fix in before if fix not in after]
            come += [fix for fix in after if fix not in before]
            if after and not before:
                bisect.insort(self._filled, key)
            elif before and not after:
                del self._filled[bisect.bisect_left(self._filled, key)]
        self._reorder(gone, come)
        return gone, come

    def _reorder(self, gone: list[Fix], come: list[Fix]) -> None:
        for fix in gone:
            i = place_of(self._ordered, fix)
            del self._ordered[i]
            if self.drives:
                del self._places[i]
        for fix in come:
            i = len(self._ordered)
            if i > 0 and self._ordered[-1].time_s >= fix.time_s:  # as a rule it is the last
                i = place_of(self._ordered, fix)
            self._ordered.insert(i, fix)
            if self.drives:
                self._places.insert(i, (fix.time_s, fix.latitude_deg, fix.longitude_deg))

    def all_fixes(self) -> list[Fix]:
        """Of a followed one, in canonical order."""
        return list(self._ordered)

    def places(self) -> list[tuple[float, float, float]]:
        """Of a vehicle, in canonical order: time (UTC seconds), latitude, longitude (degrees)."""
        return list(self._places)

    def latest_fix(self) -> Fix | None:
        if not self.followed:
            return self._last.fix
        return self.fixes[self._filled[-1]][-1] if self._filled else None

    def containers(self) -> list[list[Any] | dict[Any, Any]]:
        """All that grows with its packets, to be emptied when nobody asks any more."""
        own: list[list[Any] | dict[Any, Any]] = [
            self.slots,
            self.fixes,
            self._ordered,
            self._places,
        ]
        return [*own, self._filled, self.packets, *self.sensors.containers()]

    def latest_impossible(self) -> Rejection | None:
        """Why its last position could not be one at all; None when a later one could."""
        key = max(self.impossible, default=None)
        fix = self.latest_fix()
        if key is None or (fix is not None and fix.time_s > key.time_s):
            return None
        return self.impossible[key]

    def latest_report(self) -> PositionReport | None:
        """The position of the last packet that has one."""
        for packet in reversed(self.packets):
            for report in reversed(packet.reports):
                if isinstance(report, PositionReport) and report.name == self.name:
                    return report
        return None

    def readings(self) -> Mapping[str, list[Reading]]:
        """Its sensors by quantity, in order of time, in units where a scale has been heard."""
        return self.sensors.readings()

    def _count(self, packet: Packet, sign: int, positions: tuple[TimedReport, ...]) -> bool:
        """True when another definition of its telemetry holds now."""
        sent_s, beacon = None, bool(positions)
        for time_s, own_time, _, doubt in positions:
            if own_time and sent_s is None:
                sent_s = time_s
            if doubt is not None:
                self.doubted[doubt] += sign
        order = _order(packet)
        i = len(self.packets)
        if i > 0 and self.packets[-1].hearings[0] >= packet.hearings[0]:  # as a rule it is the last
            i = bisect.bisect_left(self.packets, order, key=_order)
        if sign > 0:
            self.packets.insert(i, packet)
            self.health.add(packet.first_heard_s, sent_s, beacon=beacon)
        else:
            while self.packets[i] != packet:
                i += 1
            del self.packets[i]
            self.health.remove(packet.first_heard_s, sent_s, beacon=beacon)
        hearings = packet.hearings
        if len(hearings) == 1:  # as a rule
            self.health.direct += sign * hearings[0].direct
            self.health.heard_by[hearings[0].heard_from] += sign
        else:
            self.health.copies += sign * (len(hearings) - 1)
            self.health.direct += sign * any(h.direct for h in hearings)
            for station in {h.heard_from for h in hearings}:
                self.health.heard_by[station] += sign
        return self.followed and self.sensors.count(packet, order, sign)

    def _fixes_at(self, key: SlotKey) -> tuple[Fix, ...]:
        self.impossible.pop(key, None)
        entries = self.slots[key]
        fixes = possible(self.name, key, entries, self.sensors.definitions(), self.site)
        if len(fixes) < len(entries):  # joined, or one that cannot be
            for report in merged(entries):
                problem = why_impossible(report, self.site)
                if problem is not None:
                    self.impossible[key] = problem
        return fixes


def _order(packet: Packet) -> tuple[Hearing, str]:
    """Two packets may be heard in one millisecond."""
    return packet.hearings[0], packet.text
