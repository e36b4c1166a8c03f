"""The chase vehicles: who was where, how near to the payload and to the landing, how far it drove."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from server.debrief.predictions import FLYING
from server.debrief.record import FlightRecord, Happening, places_at
from server.flight.chase.vehicles import VehicleFix
from server.flight.physics.geodesy import distance_bearing
from server.flight.view.vehicles import vehicle_fixes

_MOVED_M = 25.0  # less is the noise of a receiver at rest
_STEP_S = 5.0
_NEAR_S = 600.0  # a report tells where a vehicle was at a moment this near


class When(NamedTuple):
    distance_m: float
    time_s: float


class Chase(NamedTuple):
    """One vehicle. Distances are along the ground; None where the payload or its landing is not known."""

    name: str
    reports: int
    first_s: float
    last_s: float
    driven_m: float  # straight from report to report: the road was longer
    nearest: When | None  # to the payload in the air
    farthest: When | None
    nearest_to_landing: When | None


class Whereabouts(NamedTuple):
    """A vehicle at an event of the flight, by its report nearest in time."""

    event: Happening
    name: str
    fix: VehicleFix
    distance_m: float  # to the payload
    bearing_deg: float


def reports(record: FlightRecord) -> dict[str, list[VehicleFix]]:
    """All positions of each vehicle, in order of time: heard, or set by the crew."""
    found: dict[str, list[VehicleFix]] = {}
    for heard, plan in record.mission.vehicles.items():
        found.setdefault(plan.name, []).extend(vehicle_fixes(record.mission, heard))
    for c in record.mission.commands:
        if c.kind == "vehicle" and c.latitude_deg is not None and c.longitude_deg is not None:
            found.setdefault(c.name, []).append(
                VehicleFix(c.at_s, c.latitude_deg, c.longitude_deg, None, None, None, "crew")
            )
    return {n: sorted(f, key=lambda f: f.time_s) for n, f in sorted(found.items()) if f}


def chases(record: FlightRecord) -> list[Chase]:
    """Each vehicle that was heard."""
    found, place = [], record.landing
    for name, fixes in reports(record).items():
        thinned = _thinned(fixes)
        away = _from_payload(record, thinned)
        to_landing = (
            []
            if place is None
            else [
                When(_apart_m(f, place.latitude_deg, place.longitude_deg), f.time_s)
                for f in thinned
            ]
        )
        found.append(
            Chase(
                name,
                len(fixes),
                fixes[0].time_s,
                fixes[-1].time_s,
                _driven_m(thinned),
                min(away, default=None),
                max(away, default=None),
                min(to_landing, default=None),
            )
        )
    return found


def whereabouts(record: FlightRecord) -> list[Whereabouts]:
    """Each vehicle at launch, burst and landing, where a report is near enough in time."""
    found = []
    for event in record.happenings:
        for name, fixes in reports(record).items():
            fix = min(fixes, key=lambda f: abs(f.time_s - event.time_s))
            if abs(fix.time_s - event.time_s) <= _NEAR_S:
                distance_m, bearing_deg = distance_bearing(
                    fix.latitude_deg, fix.longitude_deg, event.latitude_deg, event.longitude_deg
                )
                found.append(Whereabouts(event, name, fix, distance_m, bearing_deg))
    return found


def _apart_m(fix: VehicleFix, latitude_deg: float, longitude_deg: float) -> float:
    return distance_bearing(fix.latitude_deg, fix.longitude_deg, latitude_deg, longitude_deg)[0]


def _thinned(fixes: Sequence[VehicleFix]) -> list[VehicleFix]:
    """Some seconds apart: a receiver in the car reports each second."""
    kept = [fixes[0]]
    kept += [f for f in fixes[1:-1] if f.time_s // _STEP_S != kept[-1].time_s // _STEP_S]
    return [*kept, *fixes[1:][-1:]]


def _driven_m(fixes: Sequence[VehicleFix]) -> float:
    """Between reports that lie apart, so that the noise of a receiver at rest is no drive."""
    total_m, last = 0.0, fixes[0]
    for fix in fixes[1:]:
        step_m = _apart_m(last, fix.latitude_deg, fix.longitude_deg)
        if step_m >= _MOVED_M:
            total_m, last = total_m + step_m, fix
    return total_m


def _from_payload(record: FlightRecord, fixes: Sequence[VehicleFix]) -> list[When]:
    """Distances to the payload while it was in the air, by the smoothed track between its points."""
    flown = [p for p in record.track if p.phase in FLYING]
    if not flown:
        return []
    aloft = [f for f in fixes if flown[0].time_s <= f.time_s <= flown[-1].time_s]
    lat, lon = places_at(flown, [f.time_s for f in aloft])
    return [
        When(_apart_m(f, float(a), float(o)), f.time_s)
        for f, a, o in zip(aloft, lat, lon, strict=True)
    ]
