"""Everyone heard: packets, places, sensors and health by name, whether it flies, drives or stands."""

from __future__ import annotations

import bisect
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from decoders.aprs_telemetry import scale
from decoders.reports import PositionReport, SensorReport, SensorScale
from server.flight.health import TrackerHealth
from server.flight.track.arrivals import Change, Hearing, Packet, merge, timed
from server.flight.track.fixes import Fix

_SIGMA_H_M = 4.5  # of a receiver that states none: two on one box lie 12 to 14 m apart (checks.md)
_SIGMA_V_M = 7.5
_LEAST_SIGMA_M = 3.0
_SIGMA_DATUM_M = {"msl": 10.0, "ellipsoid": 35.0}  # the geoid is within 110 m, mostly 40 m
_HIGHEST_M = 60_000.0
_LOWEST_M = -450.0  # the Dead Sea's shore


class Reading(NamedTuple):
    time_s: float
    value: float
    unit: str


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
    followed: bool = True  # else a bystander: only its last place is asked for, and worked out then
    slots: dict[SlotKey, list[_Entry]] = field(default_factory=dict)
    fixes: dict[SlotKey, tuple[Fix, ...]] = field(default_factory=dict)
    impossible: dict[SlotKey, str] = field(default_factory=dict)
    packets: list[Packet] = field(default_factory=list)  # in order of first hearing
    _last: Fix | None = None
    _last_known: bool = False
    _readings: dict[str, list[Reading]] | None = None
    _known_scales: list[SensorScale] | None = None  # until a packet that speaks of scales comes

    def apply(self, change: Change) -> tuple[list[Fix], list[Fix]]:
        """Take a change of packets in; fixes that go and fixes that come."""
        touched: dict[SlotKey, None] = {}
        scales = self._scales()
        for packet in change.removed:
            self._count(packet, -1)
            for key, entry in _entries(packet):
                self.slots[key].remove(entry)
                touched[key] = None
        for packet in change.added:
            self._count(packet, +1)
            for key, entry in _entries(packet):
                self.slots.setdefault(key, []).append(entry)
                touched[key] = None
        if self._scales() != scales:  # pressures in units may be something else now
            touched = dict.fromkeys(self.slots)
        self._last_known = False
        gone: list[Fix] = []
        come: list[Fix] = []
        for key in touched:
            after = self._fixes_at(key)
            if not self.followed:
                continue
            before = self.fixes.get(key, ())
            self.fixes[key] = after
            gone += [fix for fix in before if fix not in after]
            come += [fix for fix in after if fix not in before]
        return gone, come

    def all_fixes(self) -> list[Fix]:
        """In canonical order."""
        return sorted((f for fixes in self.fixes.values() for f in fixes), key=lambda f: f.key)

    def latest_fix(self) -> Fix | None:
        if not self.followed:
            if not self._last_known:
                keys = sorted(self.slots, reverse=True)
                found = (fixes[-1] for k in keys if (fixes := self._fixes_at(k)))
                self._last, self._last_known = next(found, None), True
            return self._last
        key = max((k for k, fixes in self.fixes.items() if fixes), default=None)
        return self.fixes[key][-1] if key is not None else None

    def latest_impossible(self) -> str | None:
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
        if self._readings is None:
            self._readings = _readings(self.packets)
        return self._readings

    def _count(self, packet: Packet, sign: int) -> None:
        self._readings = None
        if packet.speaks_of_scales:
            self._known_scales = None
        positions = timed(packet)
        sent_s = next((t.time_s for t in positions if t.own_time), None)
        beacon = bool(positions)
        i = bisect.bisect_left(self.packets, _order(packet), key=_order)
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

    def _scales(self) -> list[SensorScale]:
        if self._known_scales is None:
            self._known_scales = [
                r
                for p in self.packets
                if p.speaks_of_scales
                for r in p.reports
                if isinstance(r, SensorScale)
            ]
        return self._known_scales

    def _fixes_at(self, key: SlotKey) -> tuple[Fix, ...]:
        self.impossible.pop(key, None)
        entries = self.slots[key]
        pressure_pa = _pressure_pa(entries, self._scales())
        fixes = []
        for report in merge(entry.report for entry in entries):
            problem = why_impossible(report)
            if problem is not None:
                self.impossible[key] = problem
                continue
            fixes.append(_fix(self.name, key, report, pressure_pa))
        return tuple(fixes)


def _order(packet: Packet) -> tuple[Hearing, str]:
    """Two packets may be heard in one millisecond."""
    return packet.hearings[0], packet.text


def _entries(packet: Packet) -> Iterator[tuple[SlotKey, _Entry]]:
    sensors = tuple(r for r in packet.reports if isinstance(r, SensorReport))
    for time_s, own_time, report in timed(packet):
        yield SlotKey(time_s, own_time), _Entry(report, sensors)


_PASCAL = {"pa": 1.0, "hpa": 100.0, "mbar": 100.0, "mb": 100.0, "kpa": 1_000.0}
_PLAUSIBLE_PA = (30.0, 110_000.0)


def _pressure_pa(entries: Iterable[_Entry], scales: list[SensorScale]) -> float | None:
    """The pressure of the air in the packets of one moment; None where none was sent."""
    found = []
    for entry in entries:
        for report in entry.sensors:
            values, units = _scaled(report, scales)
            for quantity, value in values.items():
                pascal = value * _PASCAL.get(units.get(quantity, "").lower(), math.nan)
                if _PLAUSIBLE_PA[0] <= pascal <= _PLAUSIBLE_PA[1]:
                    found.append(pascal)
    return min(found, default=None)


def _scaled(
    report: SensorReport, scales: list[SensorScale]
) -> tuple[dict[str, float], dict[str, str]]:
    values, units = dict(report.values), dict(report.units)
    if report.channels or report.bits:
        scaled, scaled_units = scale(report.channels, scales, report.bits)
        values.update(scaled)
        units.update(scaled_units)
    return values, units


def _readings(packets: list[Packet]) -> dict[str, list[Reading]]:
    scales = [r for p in packets for r in p.reports if isinstance(r, SensorScale)]
    found: dict[str, list[Reading]] = {}
    for packet in packets:
        for report in packet.reports:
            if not isinstance(report, SensorReport):
                continue
            time_s = report.time_s if report.time_s is not None else packet.first_heard_s
            values, units = _scaled(report, scales)
            for quantity, value in values.items():
                reading = Reading(time_s, value, units.get(quantity, ""))
                found.setdefault(quantity, []).append(reading)
    for readings in found.values():
        readings.sort()
    return found


def why_impossible(report: PositionReport) -> str | None:
    """What is wrong with a position, in words; None when nothing is."""
    if not report.valid:
        return "the receiver says that it has no fix"
    if abs(report.latitude_deg) < 0.01 and abs(report.longitude_deg) < 0.01:
        return "position 0, 0: the receiver has no fix"
    return None


def _fix(name: str, key: SlotKey, report: PositionReport, pressure_pa: float | None) -> Fix:
    altitude_m = report.altitude_m
    if altitude_m is not None and not _LOWEST_M <= altitude_m <= _HIGHEST_M:
        altitude_m = None
    return Fix(
        time_s=key.time_s,
        tracker=name,
        latitude_deg=report.latitude_deg,
        longitude_deg=report.longitude_deg,
        altitude_m=altitude_m,
        course_deg=report.course_deg,
        speed_ms=report.speed_ms,
        sigma_h_m=_sigma_m(report.sigma_h_m, _SIGMA_H_M, report.resolution_h_m),
        sigma_v_m=_sigma_m(report.sigma_v_m, _SIGMA_V_M, report.resolution_v_m),
        sigma_datum_m=_SIGMA_DATUM_M[report.altitude_datum],
        own_time=key.own_time,
        pressure_pa=pressure_pa,
        step_h_m=report.resolution_h_m,
        step_v_m=report.resolution_v_m,
    )


def _sigma_m(stated_m: float | None, usual_m: float, resolution_m: float) -> float:
    base_m = usual_m if stated_m is None else max(stated_m, _LEAST_SIGMA_M)
    return float((base_m**2 + resolution_m**2 / 12) ** 0.5)
