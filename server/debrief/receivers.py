"""Receivers: how much each heard, where it stood, and from how far away it heard directly."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

from server.debrief.record import FlightRecord
from server.flight.chase.horizon import CAR_ANTENNA_M, EFFECTIVE_EARTH_RADIUS_M
from server.flight.chase.vehicles import VehicleFix
from server.flight.packets.deduplication import Hearing
from server.flight.packets.sent_at import timed
from server.flight.physics.geodesy import distance_bearing
from server.flight.view.vehicles import vehicle_fixes

if TYPE_CHECKING:
    from server.debrief.figures import TrackerShare

_NEAR_S = 60.0  # a car's position serves for receptions this near in time


class Far(NamedTuple):
    """A packet heard directly from far away, and where the payload stood as seen from the receiver.

    Sorted, the farthest comes last. Elevation is above the horizontal over an earth of 4/3 radius.
    """

    distance_m: float
    station: str
    tracker: str
    altitude_m: float
    bearing_deg: float
    elevation_deg: float


class Car:
    """Where a car was, at any time."""

    def __init__(self, fixes: Sequence[VehicleFix]) -> None:
        self._fixes = sorted(fixes, key=lambda f: f.time_s)
        self._times = [f.time_s for f in self._fixes]

    def at(self, time_s: float) -> tuple[float, float] | None:
        """Latitude and longitude of the report nearest in time; None when that is a minute away."""
        i = bisect_right(self._times, time_s)
        near = min(
            self._fixes[max(i - 1, 0) : i + 1], key=lambda f: abs(f.time_s - time_s), default=None
        )
        if near is None or abs(near.time_s - time_s) > _NEAR_S:
            return None
        return near.latitude_deg, near.longitude_deg


def own_car(record: FlightRecord) -> Car:
    """The car that carries this station."""
    return _cars(record).get(record.mission.plan.station, Car(()))


def _cars(record: FlightRecord) -> dict[str, Car]:
    """The car that carries each station, by the station's name: "" where there is only one."""
    fixes: dict[str, list[VehicleFix]] = {}
    for heard, plan in record.mission.vehicles.items():
        station, slash, _ = (plan.source or "").partition("/")
        if plan.own or slash:
            whose = record.mission.plan.station if plan.own else station
            fixes.setdefault(whose, []).extend(vehicle_fixes(record.mission, heard))
    return {station: Car(found) for station, found in fixes.items()}


def _fixed(record: FlightRecord) -> Mapping[str, tuple[float, float]]:
    """Stations of the network with a known place, by name."""
    return {
        s.name: (s.latitude_deg, s.longitude_deg)
        for s in record.state.senders
        if s.latitude_deg is not None and s.longitude_deg is not None
    }


def farthest(record: FlightRecord) -> dict[tuple[str, str], Far]:
    """The farthest packet heard without a repeater between, by tracker and receiver."""
    best: dict[tuple[str, str], Far] = {}
    for far in _direct(record):
        key = far.tracker, far.station
        if key not in best or far > best[key]:
            best[key] = far
    return best


def _direct(record: FlightRecord) -> Iterator[Far]:
    fixed, cars = _fixed(record), _cars(record)
    ground_m = record.question.ground.altitude_m if record.question else 0.0
    for name, plan in record.flight.trackers.items():
        sender = record.mission.senders.get(name)
        if sender is None or plan.role == "phone":  # a phone is heard by nobody's receiver
            continue
        for packet in sender.packets:
            report = next((t.report for t in timed(packet)), None)
            if report is None or report.altitude_m is None:
                continue
            for hearing in packet.hearings:
                place = _place_of(hearing, fixed, cars)
                if place is None:
                    continue
                distance_m, bearing_deg = distance_bearing(
                    *place, report.latitude_deg, report.longitude_deg
                )
                height_m = report.altitude_m - ground_m - CAR_ANTENNA_M
                drop_m = distance_m**2 / (2 * EFFECTIVE_EARTH_RADIUS_M)
                yield Far(
                    distance_m,
                    hearing.heard_from,
                    name,
                    report.altitude_m,
                    bearing_deg,
                    math.degrees(math.atan2(height_m - drop_m, max(distance_m, 1.0))),
                )


def _place_of(
    hearing: Hearing, fixed: Mapping[str, tuple[float, float]], cars: Mapping[str, Car]
) -> tuple[float, float] | None:
    """Where the receiver stood that heard it without a repeater between; None if not known."""
    if hearing.repeated_by:
        return None
    if hearing.fed_by:
        return fixed.get(hearing.fed_by)
    station, slash, _ = hearing.source.partition("/")
    car = cars.get(station if slash else "")
    return None if car is None else car.at(hearing.heard_at_ms / 1000.0)


def receiver_counts(shares: Sequence[TrackerShare]) -> list[tuple[str, list[int], int]]:
    """Each receiver with its packets by tracker and in all, the busiest first."""
    counts: dict[str, list[int]] = {}
    for i, share in enumerate(shares):
        for station, packets in share.heard_by:
            counts.setdefault(station, [0] * len(shares))[i] = packets
    rows = [(station, row, sum(row)) for station, row in counts.items()]
    return sorted(rows, key=lambda r: (-r[2], r[0]))
