"""What a tracker measures: its telemetry in units, and the pressure that is told with a position.

The last definition of each kind (PARM, UNIT, EQNS, BITS; APRS 1.0.1, ch. 13) scales all values, those
heard before it too. Readings are kept as they come; a new definition only says that they are to be
worked out again, which is done once when somebody asks.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

from decoders.aprs_telemetry import scale
from decoders.bounds import is_value
from decoders.reports import SensorReport, SensorScale
from server.flight.packets.deduplication import Hearing, Packet
from server.flight.packets.sent_at import sent_at

_PASCAL = {"pa": 1.0, "hpa": 100.0, "mbar": 100.0, "mb": 100.0, "kpa": 1_000.0}
_PLAUSIBLE_PA = (30.0, 110_000.0)


class Reading(NamedTuple):
    time_s: float
    value: float
    unit: str


Order = tuple[Hearing, str]
Definitions = Mapping[str, SensorScale]  # by kind


class _Series:
    """Readings of one quantity in order, and their times and values beside them."""

    __slots__ = ("points", "readings")

    def __init__(self) -> None:
        self.readings: list[Reading] = []
        self.points: list[tuple[float, float]] = []

    def add(self, reading: Reading) -> None:
        i = bisect.bisect_right(self.readings, reading)
        self.readings.insert(i, reading)
        self.points.insert(i, (reading.time_s, reading.value))

    def containers(self) -> list[list[Any]]:
        return [self.readings, self.points]

    def remove(self, reading: Reading) -> None:
        i = bisect.bisect_left(self.readings, reading)
        if i < len(self.readings) and self.readings[i] == reading:
            del self.readings[i], self.points[i]


class Sensors:
    """Telemetry of one sender. A function of the set of its packets.

    After a new definition all readings are worked out again, by `work`; those by the one before are
    told until that is done.
    """

    __slots__ = ("_anew", "_defined", "_left", "_packets", "_series")

    def __init__(self) -> None:
        self._packets: list[tuple[Order, Packet]] = []  # those that measure something
        self._defined: dict[str, list[tuple[Order, int, SensorScale]]] = {}
        self._series: dict[str, _Series] = {}
        self._anew: dict[str, _Series] | None = None  # by new definitions, of all but `_left`
        self._left: list[tuple[Order, Packet]] = []

    def count(self, packet: Packet, order: Order, sign: int) -> bool:
        """Put a packet in or take it out. True when another definition holds now."""
        if any(isinstance(r, SensorReport) for r in packet.reports):
            self._measured(packet, order, sign)
        if not packet.speaks_of_scales:
            return False
        before = self.definitions()
        for n, report in enumerate(packet.reports):
            if isinstance(report, SensorScale):
                known = self._defined.setdefault(report.kind, [])
                i = bisect.bisect_left(known, (order, n), key=lambda entry: entry[:2])
                if sign > 0:
                    known.insert(i, (order, n, report))
                else:
                    del known[i]
        if self.definitions() == before:
            return False
        self._anew, self._left = {}, self._packets[::-1]
        return True

    def definitions(self) -> dict[str, SensorScale]:
        """The last of each kind."""
        return {kind: known[-1][2] for kind, known in self._defined.items() if known}

    def readings(self) -> Mapping[str, list[Reading]]:
        """By quantity, in order of time, in units where a definition has been heard."""
        return {name: series.readings for name, series in self._series.items()}

    def points(self) -> Mapping[str, list[tuple[float, float]]]:
        """The same as times (UTC seconds) and values."""
        return {name: series.points for name, series in self._series.items()}

    def work(self, steps: int) -> int:
        """Go on with new definitions, a packet a step; returns how many steps are left."""
        if self._anew is None:
            return steps
        definitions = self.definitions()
        while self._left and steps > 0:
            _, packet = self._left.pop()
            steps -= 1
            for quantity, reading in _readings(packet, definitions):
                self._anew.setdefault(quantity, _Series()).add(reading)
        if not self._left:
            self._series, self._anew = self._anew, None
        return steps

    def containers(self) -> list[list[Any]]:
        """All that grows with its packets."""
        return [self._packets, *(s for one in self._series.values() for s in one.containers())]

    @property
    def pending(self) -> bool:
        """Whether there is work left."""
        return self._anew is not None

    def _measured(self, packet: Packet, order: Order, sign: int) -> None:
        i = bisect.bisect_left(self._packets, order, key=lambda entry: entry[0])
        if sign > 0:
            self._packets.insert(i, (order, packet))
        else:
            while self._packets[i][1] != packet:
                i += 1
            entry = self._packets.pop(i)
            if entry in self._left:  # it has not been worked out anew
                self._left.remove(entry)
                return
        for quantity, reading in _readings(packet, self.definitions()):
            for all_series in (self._series, self._anew):
                if all_series is None:
                    continue
                if sign > 0:
                    all_series.setdefault(quantity, _Series()).add(reading)
                elif quantity in all_series:
                    all_series[quantity].remove(reading)
                    if not all_series[quantity].readings:
                        del all_series[quantity]


def _readings(packet: Packet, definitions: Definitions) -> Iterable[tuple[str, Reading]]:
    newest_s = packet.newest_s
    for report in packet.reports:
        if isinstance(report, SensorReport):
            time_s = sent_at(packet, report.time_s, newest_s).time_s
            values, units = _scaled(report, definitions)
            for quantity, value in values.items():
                yield quantity, Reading(time_s, value, units.get(quantity, ""))


def _scaled(
    report: SensorReport, definitions: Definitions
) -> tuple[dict[str, float], dict[str, str]]:
    values, units = dict(report.values), dict(report.units)
    if report.channels or report.bits:
        scaled, scaled_units = scale(report.channels, definitions.values(), report.bits)
        values.update((name, value) for name, value in scaled.items() if is_value(value))
        units.update(scaled_units)
    return values, units


def pressure_pa(reports: Iterable[SensorReport], definitions: Definitions) -> float | None:
    """The pressure of the air in the packets of one moment; None where none was sent."""
    found = []
    for report in reports:
        values, units = _scaled(report, definitions)
        for quantity, value in values.items():
            pascal = value * _PASCAL.get(units.get(quantity, "").lower(), math.nan)
            if _PLAUSIBLE_PA[0] <= pascal <= _PLAUSIBLE_PA[1]:
                found.append(pascal)
    return min(found, default=None)


def may_tell_pressure(definitions: Definitions) -> bool:
    """Whether some channel is in a unit of pressure."""
    units = definitions.get("UNIT")
    return units is not None and any(text.lower() in _PASCAL for text in units.texts)
