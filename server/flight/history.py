"""The past as lists that grow: the track, each tracker's fixes, vehicles, sensors."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypedDict

from server.flight.flight import Flight
from server.flight.geodesy import LocalFrame
from server.flight.track.fixes import Verdict
from server.flight.track.phase_memory import Phase
from server.flight.track.records import Record, Records

TrackPoint = tuple[float, float, float, float | None, float | None, float, Phase]
FixPoint = tuple[float, float, float, float | None, bool, str | None]
VehiclePoint = tuple[float, float, float]


class SensorSeries(TypedDict):
    unit: str
    points: Sequence[tuple[float, float]]  # time, value


@dataclass(frozen=True, slots=True)
class History:
    """`track`: time, latitude, longitude, altitude, climb, sigma_h, phase. `fixes`: time, latitude,
    longitude, altitude, accepted, reason. `vehicles`: time, latitude, longitude. SI, UTC seconds."""

    track: Sequence[TrackPoint]
    fixes: Mapping[str, Sequence[FixPoint]]
    vehicles: Mapping[str, Sequence[VehiclePoint]]
    sensors: Mapping[str, SensorSeries]


class HistoryBook:
    """Keeps the points that it has made: where records have not changed they are the same ones."""

    def __init__(self, flight: Flight) -> None:
        self._flight = flight
        self._records: list[Record] = []  # what the points were made of
        self._verdicts: list[Verdict] = []
        self._frame: LocalFrame | None = None
        self._fixes: list[FixPoint] = []
        self._track: list[TrackPoint | None] = []
        self._trackers: list[str] = []
        self._read: History | None = None

    def read(self) -> History:
        """The whole past, as known now."""
        flight, shown = self._flight, self._flight.track.shown
        same = shown.records == self._records and shown.verdicts == self._verdicts
        if not same or self._trackers != list(flight.trackers) or self._read is None:
            self._trackers = list(flight.trackers)
            self._write(shown)
            self._read = self._sorted(shown)
        return History(self._read.track, self._read.fixes, _vehicles(flight), _sensors(flight))

    def _sorted(self, shown: Records) -> History:
        fixes: dict[str, list[FixPoint]] = {name: [] for name in self._trackers}
        its = [fixes.setdefault(name, []) for name in shown.names]
        for i, point in zip(shown.tracker().tolist(), self._fixes, strict=True):
            its[i].append(point)
        return History([point for point in self._track if point is not None], fixes, {}, {})

    def _write(self, shown: Records) -> None:
        """Points of what comes behind the records that are the same as before."""
        first = 0
        if shown.frame is self._frame:
            first = _common_prefix(self._records, shown.records)
        judged = min(first, _common_prefix(self._verdicts, shown.verdicts))
        records, verdicts = shown.records[judged:], shown.verdicts[judged:]
        self._fixes[judged:] = [
            (f.time_s, f.latitude_deg, f.longitude_deg, f.altitude_m, v.accepted, v.reason)
            for (f, *_), v in zip(records, verdicts, strict=True)
        ]
        self._track[first:] = _track_points(shown, first)
        self._records, self._verdicts = list(shown.records), list(shown.verdicts)
        self._frame = shown.frame


def _track_points(shown: Records, first: int) -> list[TrackPoint | None]:
    x_m, y_m = shown.column("stated_x_m")[first:], shown.column("stated_y_m")[first:]
    latitude_deg, longitude_deg = shown.frame.to_latlon(x_m, y_m)
    return [
        (time_s, lat, lon, z_m, climb_ms, sigma_h_m, record.after.phase.phase)
        if record.verdict.accepted and record.after.state is not None
        else None
        for record, time_s, lat, lon, z_m, climb_ms, sigma_h_m in zip(
            shown.records[first:],
            shown.column("time_s")[first:].tolist(),
            latitude_deg.tolist(),
            longitude_deg.tolist(),
            shown.column("stated_z_m")[first:].tolist(),
            shown.column("climb_ms")[first:].tolist(),
            shown.column("sigma_h_m")[first:].tolist(),
            strict=True,
        )
    ]


def _common_prefix(old: Sequence[object], new: Sequence[object]) -> int:
    """How many leading items are the same; compared by slices, which stop at identical items."""
    low, high = 0, min(len(old), len(new))
    if old[:high] == new[:high]:
        return high
    while low < high:
        middle = (low + high + 1) // 2
        if old[low:middle] == new[low:middle]:
            low = middle
        else:
            high = middle - 1
    return low


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
