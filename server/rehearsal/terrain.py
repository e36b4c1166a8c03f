"""Made ground: the slope of the High Plains with rolling hills, a lake, and the floor of an Alpine valley."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

# surface of Kansas along 38.4 N from towns' heights, rounded; between them it is interpolated
_SLOPE = (
    (-102.5, 1_230.0), (-101.0, 940.0), (-100.0, 770.0), (-99.0, 610.0), (-98.2, 515.0),
    (-97.6, 455.0), (-97.0, 425.0), (-96.5, 400.0), (-96.0, 360.0), (-95.0, 300.0),
    (-94.0, 260.0),
)  # fmt: skip
_HILLS = ((9.0, 3_300.0, 0.6), (12.0, 7_900.0, 2.1), (14.0, 19_000.0, 3.9))  # m, m, direction
# the Rhine's valley above Lake Constance: its floor alone, from heights of villages, rounded
_VALLEY, _FLOOR_M = (47.0, 9.3, 47.35, 9.8), (482.0, 426.0)
_METRES_PER_DEG = 111_320.0


@dataclass(frozen=True, slots=True)
class Lake:
    """Flat water: round, at one level."""

    latitude_deg: float
    longitude_deg: float
    radius_m: float
    level_m: float

    def covers(self, latitude_deg: float, longitude_deg: float) -> bool:
        north_m = (latitude_deg - self.latitude_deg) * _METRES_PER_DEG
        shrink = math.cos(math.radians(self.latitude_deg))
        east_m = (longitude_deg - self.longitude_deg) * _METRES_PER_DEG * shrink
        return math.hypot(north_m, east_m) <= self.radius_m


def ground_m(latitude_deg: float, longitude_deg: float, lakes: tuple[Lake, ...] = ()) -> float:
    """Height of the surface above mean sea level."""
    for lake in lakes:
        if lake.covers(latitude_deg, longitude_deg):
            return lake.level_m
    south, west, north, east = _VALLEY
    if south <= latitude_deg <= north and west <= longitude_deg <= east:
        return _FLOOR_M[0] + (_FLOOR_M[1] - _FLOOR_M[0]) * (latitude_deg - south) / (north - south)
    height_m = _slope_m(longitude_deg)
    east_m = longitude_deg * _METRES_PER_DEG * 0.78
    north_m = latitude_deg * _METRES_PER_DEG
    for size_m, length_m, direction in _HILLS:
        along_m = east_m * math.cos(direction) + north_m * math.sin(direction)
        height_m += size_m * math.sin(2 * math.pi * along_m / length_m)
    return height_m


def _slope_m(longitude_deg: float) -> float:
    if longitude_deg <= _SLOPE[0][0]:
        return _SLOPE[0][1]
    for (west, west_m), (east, east_m) in pairwise(_SLOPE):
        if longitude_deg <= east:
            return west_m + (east_m - west_m) * (longitude_deg - west) / (east - west)
    return _SLOPE[-1][1]
