"""Where each vehicle is and what is left to drive to the landing point."""

from __future__ import annotations

from typing import NamedTuple

from server.flight.inputs import VehiclePlan
from server.flight.physics.geodesy import distance_bearing


class VehicleFix(NamedTuple):
    time_s: float
    latitude_deg: float
    longitude_deg: float
    altitude_m: float | None
    speed_ms: float | None
    course_deg: float | None
    source: str  # who said so: a callsign, a source, or "crew"


class Drive(NamedTuple):
    """From a vehicle to a point. The road is longer than the straight line by the plan's factor."""

    distance_m: float
    bearing_deg: float
    road_distance_m: float
    drive_s: float


def drive(plan: VehiclePlan, at: VehicleFix, latitude_deg: float, longitude_deg: float) -> Drive:
    """An estimate by distance and usual road speed alone: roads are not known here."""
    distance_m, bearing_deg = distance_bearing(
        at.latitude_deg, at.longitude_deg, latitude_deg, longitude_deg
    )
    road_m = distance_m * plan.road_factor
    return Drive(distance_m, bearing_deg, road_m, road_m / plan.road_speed_ms)
