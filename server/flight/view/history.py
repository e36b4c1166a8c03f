"""The past as lists that grow: the track, each tracker's fixes, vehicles, sensors."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypedDict

from server.flight.flight import Flight
from server.flight.physics.geodesy import LocalFrame
from server.flight.state import Phase, Rejection
from server.flight.track.fixes import Verdict
from server.flight.track.track import Record
from server.flight.view.vehicles import vehicle_fixes

TrackPoint = tuple[float, float, float, float | None, float | None, float, Phase]
FixPoint = tuple[float, float, float, float | None, bool, Rejection | None]
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
    """Keeps what it has written: a record that has not changed gives the same point again."""

    def __init__(self, flight: Flight) -> None:
        self._flight = flight
        self._written: list[tuple[Record, Verdict, FixPoint, TrackPoint | None]] = []
        self._frame: LocalFrame | None = None
        self._verdicts: list[Verdict] | None = None  # what the last reading was made of
        self._trackers: list[str] = []
        self._read: History | None = None

    def read(self) -> History:
        """The whole past, as known now."""
        flight, verdicts = self._flight, self._flight.track.verdicts()
        if verdicts is self._verdicts and self._trackers == list(flight.trackers):
            assert self._read is not None
            return History(self._read.track, self._read.fixes, _vehicles(flight), _sensors(flight))
        self._verdicts, self._trackers = verdicts, list(flight.trackers)
        self._write()
        fixes: dict[str, list[FixPoint]] = {name: [] for name in flight.trackers}
        for record, _, fix_point, _ in self._written:
            fixes[record.fix.tracker].append(fix_point)
        track = [point for _, _, _, point in self._written if point is not None]
        self._read = History(track, fixes, _vehicles(flight), _sensors(flight))
        return self._read

    def _write(self) -> None:
        records, track = self._flight.track.records(), self._flight.track
        if track.frame is not self._frame:
            self._frame = track.frame
            self._written.clear()
        del self._written[len(records) :]
        verdicts = track.verdicts()
        for i, (record, verdict) in enumerate(zip(records, verdicts, strict=True)):
            if i < len(self._written):
                if self._written[i][0] is record and self._written[i][1] is verdict:
                    continue
                self._written[i] = self._entry(record, verdict)
            else:
                self._written.append(self._entry(record, verdict))

    def _entry(
        self, record: Record, verdict: Verdict
    ) -> tuple[Record, Verdict, FixPoint, TrackPoint | None]:
        fix, state = record.fix, record.after.state
        fix_point = (
            fix.time_s, fix.latitude_deg, fix.longitude_deg, fix.altitude_m,
            verdict.accepted, verdict.reason,
        )  # fmt: skip
        if not record.verdict.accepted or state is None:
            return record, verdict, fix_point, None
        x, y, z = state.stated()
        latitude_deg, longitude_deg = self._flight.track.frame.to_latlon(x.position, y.position)
        track_point = (
            fix.time_s, float(latitude_deg), float(longitude_deg), z.position, z.velocity,
            ((x.var_position + y.var_position) / 2) ** 0.5, record.after.phase.phase,
        )  # fmt: skip
        return record, verdict, fix_point, track_point


def _sensors(flight: Flight) -> dict[str, SensorSeries]:
    sensors = {}
    for name in flight.trackers:
        sender = flight.senders.get(name)
        for quantity, readings in sender.readings().items() if sender is not None else ():
            sensors[f"{name}/{quantity}"] = SensorSeries(
                unit=readings[-1].unit, points=[(r.time_s, r.value) for r in readings]
            )
    return sensors


def _vehicles(flight: Flight) -> dict[str, Sequence[VehiclePoint]]:
    return {
        plan.name: [
            (f.time_s, f.latitude_deg, f.longitude_deg) for f in vehicle_fixes(flight, heard)
        ]
        for heard, plan in flight.vehicles.items()
    }
