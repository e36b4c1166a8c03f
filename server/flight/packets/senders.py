"""Everyone heard: packets, places, sensors and health by name, whether it flies, drives or stands."""

from __future__ import annotations

import bisect
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from decoders.bounds import FASTEST_MS, MOST_SIGMA_M, MOST_STEP_M, within
from decoders.reports import PositionReport, SensorReport
from server.flight.packets.beacon_health import TrackerHealth
from server.flight.packets.deduplication import Change, Hearing, Packet, merge
from server.flight.packets.sensors import (
    Definitions,
    Reading,
    Sensors,
    may_tell_pressure,
    pressure_pa,
)
from server.flight.packets.sent_at import TimeDoubt, TimedReport, timed
from server.flight.track.fixes import Fix, Key
from server.flight.tracker_state import Rejection, RejectionKind

_SIGMA_H_M = 4.5  # of a receiver that states none: two on one box lie 12 to 14 m apart (checks.md)
_SIGMA_V_M = 7.5
_LEAST_SIGMA_M = 3.0
_SIGMA_DATUM_M = {"msl": 10.0, "ellipsoid": 35.0}  # the geoid is within 110 m, mostly 40 m
_HIGHEST_M = 60_000.0
_LOWEST_M = -450.0  # the Dead Sea's shore


class SlotKey(NamedTuple):
    time_s: float
    own_time: bool


class _Entry(NamedTuple):
    """A position with the sensors that came in its packet."""

    report: PositionReport
    sensors: tuple[SensorReport, ...]


@dataclass(slots=True)
class Sender:
    """All that is known of one name."""

    name: str
    health: TrackerHealth
    followed: bool = True  # else a bystander: only its last place is asked for
    slots: dict[SlotKey, list[_Entry]] = field(default_factory=dict)
    fixes: dict[SlotKey, tuple[Fix, ...]] = field(default_factory=dict)
    impossible: dict[SlotKey, Rejection] = field(default_factory=dict)
    packets: list[Packet] = field(default_factory=list)  # in order of first hearing
    doubted: Counter[TimeDoubt] = field(default_factory=Counter)  # positions, by their own times
    sensors: Sensors = field(default_factory=Sensors)
    # of a followed one, in canonical order: all fixes, their times and places, and filled slots
    _ordered: list[Fix] = field(default_factory=list)
    _places: list[tuple[float, float, float]] = field(default_factory=list)
    _filled: list[SlotKey] = field(default_factory=list)
    _unscaled: list[SlotKey] = field(default_factory=list)  # pressures may be something else now
    _last: Fix | None = None
    _last_key: SlotKey | None = None

    def apply(self, change: Change) -> tuple[list[Fix], list[Fix]]:
        """Take a change of packets in; fixes that go and fixes that come."""
        touched: dict[SlotKey, None] = {}
        told = may_tell_pressure(self.sensors.definitions())
        defined = False
        for packet in change.removed:
            positions = timed(packet)
            defined |= self._count(packet, -1, positions)
            for key, entry in _entries(packet, positions):
                self.slots[key].remove(entry)
                touched[key] = None
        for packet in change.added:
            positions = timed(packet)
            defined |= self._count(packet, +1, positions)
            for key, entry in _entries(packet, positions):
                self.slots.setdefault(key, []).append(entry)
                touched[key] = None
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
        definitions = self.sensors.definitions()
        touched: dict[SlotKey, None] = {}
        while self._unscaled and steps > 0:
            key = self._unscaled.pop()
            steps -= 1
            fixes = self.fixes[key]
            if fixes and fixes[0].pressure_pa != _pressure_pa(self.slots[key], definitions):
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
            if not self.followed:
                self._note_last(key, after)
                continue
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

    def _note_last(self, key: SlotKey, after: tuple[Fix, ...]) -> None:
        if self._last_key is None or key > self._last_key:
            if after:
                self._last_key, self._last = key, after[-1]
        elif (
            key == self._last_key
        ):  # it may have none any more, and which was before it is not kept
            keys = sorted(self.slots, reverse=True)
            found = ((k, fixes[-1]) for k in keys if (fixes := self._fixes_at(k)))
            self._last_key, self._last = next(found, (None, None))

    def _reorder(self, gone: list[Fix], come: list[Fix]) -> None:
        for fix in gone:
            i = bisect.bisect_left(self._ordered, fix.order, key=_fix_key)
            del self._ordered[i], self._places[i]
        for fix in come:
            i = len(self._ordered)
            if i > 0 and self._ordered[-1].time_s >= fix.time_s:  # as a rule it is the last
                i = bisect.bisect_right(self._ordered, fix.order, key=_fix_key)
            self._ordered.insert(i, fix)
            self._places.insert(i, (fix.time_s, fix.latitude_deg, fix.longitude_deg))

    def all_fixes(self) -> list[Fix]:
        """Of a followed one, in canonical order."""
        return list(self._ordered)

    def places(self) -> list[tuple[float, float, float]]:
        """Of a followed one, in canonical order: time (UTC seconds), latitude, longitude (degrees)."""
        return list(self._places)

    def latest_fix(self) -> Fix | None:
        if not self.followed:
            return self._last
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
        sent_s = next((t.time_s for t in positions if t.own_time), None)
        beacon = bool(positions)
        for position in positions:
            if position.doubt is not None:
                self.doubted[position.doubt] += sign
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
        self.health.copies += sign * (len(packet.hearings) - 1)
        self.health.direct += sign * any(h.direct for h in packet.hearings)
        for station in {h.heard_from for h in packet.hearings}:
            self.health.heard_by[station] += sign
        return self.followed and self.sensors.count(packet, order, sign)

    def _fixes_at(self, key: SlotKey) -> tuple[Fix, ...]:
        self.impossible.pop(key, None)
        entries = self.slots[key]
        measured_pa = _pressure_pa(entries, self.sensors.definitions())
        fixes = []
        for report in merge(entry.report for entry in entries):
            problem = why_impossible(report)
            if problem is not None:
                self.impossible[key] = problem
                continue
            fixes.append(fix_of(self.name, key, report, measured_pa))
        return tuple(fixes)


def _fix_key(fix: Fix) -> Key:
    return fix.order


def _order(packet: Packet) -> tuple[Hearing, str]:
    """Two packets may be heard in one millisecond."""
    return packet.hearings[0], packet.text


def _entries(
    packet: Packet, positions: tuple[TimedReport, ...]
) -> Iterator[tuple[SlotKey, _Entry]]:
    sensors = tuple([r for r in packet.reports if isinstance(r, SensorReport)])
    for at in positions:
        yield SlotKey(at.time_s, at.own_time), _Entry(at.report, sensors)


def _pressure_pa(entries: list[_Entry], definitions: Definitions) -> float | None:
    return pressure_pa((r for entry in entries for r in entry.sensors), definitions)


def why_impossible(report: PositionReport) -> Rejection | None:
    """What is wrong with a position; None when nothing is."""
    if not within(report.latitude_deg, -90.0, 90.0) or not within(
        report.longitude_deg, -180.0, 180.0
    ):
        return Rejection(RejectionKind.OFF_EARTH)
    if not report.valid:
        return Rejection(RejectionKind.NO_FIX)
    if abs(report.latitude_deg) < 0.01 and abs(report.longitude_deg) < 0.01:
        return Rejection(RejectionKind.NULL_ISLAND)
    return None


def fix_of(name: str, key: SlotKey, report: PositionReport, measured_pa: float | None) -> Fix:
    """The fix that a report gives, filed under `key`; `measured_pa`: by the tracker's own barometer.

    The decoders bound every number; this guard holds for whatever else makes a report.
    """
    return Fix(
        time_s=key.time_s,
        tracker=name,
        latitude_deg=report.latitude_deg,
        longitude_deg=report.longitude_deg,
        altitude_m=_or_none(report.altitude_m, _LOWEST_M, _HIGHEST_M),
        course_deg=_or_none(report.course_deg, 0.0, 360.0),
        speed_ms=_or_none(report.speed_ms, 0.0, FASTEST_MS),
        sigma_h_m=_sigma_m(report.sigma_h_m, _SIGMA_H_M, report.resolution_h_m),
        sigma_v_m=_sigma_m(report.sigma_v_m, _SIGMA_V_M, report.resolution_v_m),
        sigma_datum_m=_SIGMA_DATUM_M[report.altitude_datum],
        own_time=key.own_time,
        pressure_pa=measured_pa,
        step_h_m=report.resolution_h_m,
        step_v_m=report.resolution_v_m,
    )


def _or_none(value: float | None, least: float, most: float) -> float | None:
    return value if within(value, least, most) else None


def _sigma_m(stated_m: float | None, usual_m: float, resolution_m: float) -> float:
    base_m = usual_m
    if stated_m is not None:  # nan counts as the largest
        base_m = (
            max(stated_m, _LEAST_SIGMA_M) if within(stated_m, 0.0, MOST_SIGMA_M) else MOST_SIGMA_M
        )
    step_m = resolution_m if within(resolution_m, 0.0, MOST_STEP_M) else MOST_STEP_M
    return float((base_m**2 + step_m**2 / 12) ** 0.5)
