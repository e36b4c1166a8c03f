"""The past as lists that grow: the track, each tracker's fixes, vehicles, sensors."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypedDict

from server.flight.flight import Flight
from server.flight.mission import Mission
from server.flight.track.records import FixPoint, Records, TrackPoint

VehiclePoint = tuple[float, float, float]


class SensorSeries(TypedDict):
    unit: str
    points: Sequence[tuple[float, float]]  # time, value


@dataclass(frozen=True, slots=True)
class History:
    """`tracks`, by flight: time, latitude, longitude, altitude, climb, sigma_h, phase. `fixes`: time,
    latitude, longitude, altitude, accepted, reason. `vehicles`: time, latitude, longitude. SI, UTC
    seconds. The tracks are rounded, to 0.1 m and finer."""

    tracks: Mapping[str, Sequence[TrackPoint]]
    fixes: Mapping[str, Sequence[FixPoint]]
    vehicles: Mapping[str, Sequence[VehiclePoint]]
    sensors: Mapping[str, SensorSeries]


class HistoryBook:
    """Keeps what it has sorted while the tracks stay as they are."""

    def __init__(self, mission: Mission) -> None:
        self._mission = mission
        self._flights: dict[str, _FlightBook] = {}

    def read(self) -> History:
        """The whole past, as known now. A point that has not changed is the same object again."""
        tracks: dict[str, Sequence[TrackPoint]] = {}
        fixes: dict[str, list[FixPoint]] = {}
        for flight in self._mission.flights:
            book = self._flights.setdefault(flight.plan.name, _FlightBook())
            tracks[flight.plan.name], its = book.read(flight)
            fixes |= its
        return History(tracks, fixes, _vehicles(self._mission), _sensors(self._mission))


_Sorted = tuple[list[TrackPoint], dict[str, list[FixPoint]]]


class _FlightBook:
    """The track of one flight, and its fixes by tracker."""

    def __init__(self) -> None:
        self._made_of: tuple[list[FixPoint], list[TrackPoint | None], list[str]] | None = None
        self._read: _Sorted = [], {}

    def read(self, flight: Flight) -> _Sorted:
        shown = flight.track.shown
        shown.place()
        made_of = shown.fixes, shown.track, list(flight.trackers)
        if made_of != self._made_of:  # at C speed: identical points are equal
            self._made_of = shown.fixes[:], shown.track[:], made_of[2]
            self._read = _sorted(shown, made_of[2])
        return self._read


def _sorted(shown: Records, trackers: list[str]) -> _Sorted:
    fixes: dict[str, list[FixPoint]] = {name: [] for name in trackers}
    its = [fixes.setdefault(name, []) for name in shown.names]
    for i, point in zip(shown.tracker().tolist(), shown.fixes, strict=True):
        its[i].append(point)
    return [point for point in shown.track if point is not None], fixes


def _sensors(mission: Mission) -> dict[str, SensorSeries]:
    sensors = {}
    for name in mission.trackers:
        sender = mission.senders.get(name)
        if sender is None:
            continue
        readings = sender.readings()
        for quantity, points in sender.sensors.points().items():
            unit = readings[quantity][-1].unit
            sensors[f"{name}/{quantity}"] = SensorSeries(unit=unit, points=list(points))
    return sensors


def _vehicles(mission: Mission) -> dict[str, Sequence[VehiclePoint]]:
    return {
        plan.name: [] if (sender := mission.senders.get(heard)) is None else sender.places()
        for heard, plan in mission.vehicles.items()
    }
