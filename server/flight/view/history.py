"""The past as lists that grow: the track, each tracker's fixes, vehicles, sensors."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypedDict

from server.flight.flight import Flight
from server.flight.track.records import FixPoint, Records, TrackPoint

VehiclePoint = tuple[float, float, float]


class SensorSeries(TypedDict):
    unit: str
    points: Sequence[tuple[float, float]]  # time, value


@dataclass(frozen=True, slots=True)
class History:
    """`track`: time, latitude, longitude, altitude, climb, sigma_h, phase. `fixes`: time, latitude,
    longitude, altitude, accepted, reason. `vehicles`: time, latitude, longitude. SI, UTC seconds.
    The track is rounded, to 0.1 m and finer."""

    track: Sequence[TrackPoint]
    fixes: Mapping[str, Sequence[FixPoint]]
    vehicles: Mapping[str, Sequence[VehiclePoint]]
    sensors: Mapping[str, SensorSeries]


class HistoryBook:
    """Keeps what it has sorted while the track stays as it is."""

    def __init__(self, flight: Flight) -> None:
        self._flight = flight
        self._made_of: tuple[list[FixPoint], list[TrackPoint | None], list[str]] | None = None
        self._read = History([], {}, {}, {})

    def read(self) -> History:
        """The whole past, as known now. A point that has not changed is the same object again."""
        flight, shown = self._flight, self._flight.track.shown
        shown.place()
        made_of = shown.fixes, shown.track, list(flight.trackers)
        if made_of != self._made_of:  # at C speed: identical points are equal
            self._made_of = shown.fixes[:], shown.track[:], made_of[2]
            self._read = self._sorted(shown)
        return History(self._read.track, self._read.fixes, _vehicles(flight), _sensors(flight))

    def _sorted(self, shown: Records) -> History:
        fixes: dict[str, list[FixPoint]] = {name: [] for name in self._flight.trackers}
        its = [fixes.setdefault(name, []) for name in shown.names]
        for i, point in zip(shown.tracker().tolist(), shown.fixes, strict=True):
            its[i].append(point)
        return History([point for point in shown.track if point is not None], fixes, {}, {})


def _sensors(flight: Flight) -> dict[str, SensorSeries]:
    sensors = {}
    for name in flight.trackers:
        sender = flight.senders.get(name)
        if sender is None:
            continue
        readings = sender.readings()
        for quantity, points in sender.sensors.points().items():
            unit = readings[quantity][-1].unit
            sensors[f"{name}/{quantity}"] = SensorSeries(unit=unit, points=list(points))
    return sensors


def _vehicles(flight: Flight) -> dict[str, Sequence[VehiclePoint]]:
    return {
        plan.name: [] if (sender := flight.senders.get(heard)) is None else sender.places()
        for heard, plan in flight.vehicles.items()
    }
