"""What the chase asks of a road network. Files, graphs and searches are in server/geodata/roads."""

from __future__ import annotations

from enum import IntEnum
from typing import NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


class Stop(NamedTuple):
    """Places on roads, arrays of one shape (n,). `share`: of the edge, from its beginning."""

    edge: npt.NDArray[np.int64]
    share: Array

    def only(self, n: int) -> Stop:
        """The n-th alone."""
        return Stop(self.edge[n : n + 1], self.share[n : n + 1])


class Snapped(NamedTuple):
    """The nearest places on roads, arrays (n,). `edge` -1: no road near. `walk_m`: straight from there."""

    stop: Stop
    walk_m: Array
    latitude_deg: Array  # of the place on the road
    longitude_deg: Array


class Beyond(IntEnum):
    """What lies between a point and the nearest place that a car gets to."""

    NOTHING = 0
    WATER = 1
    MOTORWAY = 2
    ROAD_END = 3  # too far to walk
    UNKNOWN = 4  # no extract holds the roads there


class Stretch(NamedTuple):
    """A piece on one road. `turn_deg`: to get onto it, right positive; None at the start."""

    name: str
    ref: str
    length_m: float
    time_s: float
    turn_deg: float | None
    roundabout: bool
    ferry: bool
    track: bool
    unpaved: bool
    latitude_deg: float  # where it begins
    longitude_deg: float


class RoadWay(NamedTuple):
    """`line`: latitude, longitude, shape (n, 2)."""

    time_s: float
    length_m: float
    line: Array
    stretches: tuple[Stretch, ...]


class Fields(NamedTuple):
    """Seconds over the places where a car may wait, shape (n,): from each car, and to each group."""

    latitude_deg: Array
    longitude_deg: Array
    from_car_s: Array  # (cars, n); inf: not reached
    to_group_s: Array  # (groups, n)


class Roads(Protocol):
    """The roads about one flight. For one thread."""

    def cover(self, latitude_deg: Array, longitude_deg: Array, /) -> bool:
        """Make the network ready for these places, shapes (n,). False: there are no roads there."""

    def cars(self, latitude_deg: Array, longitude_deg: Array, /) -> Snapped:
        """The road that each car is on."""

    def stops(
        self, latitude_deg: Array, longitude_deg: Array, car: Stop, /
    ) -> tuple[Snapped, npt.NDArray[np.int8]]:
        """Where a car (one) may stop for each point, and what lies between (`Beyond`), shapes (n,)."""

    def drive_s(self, cars: Stop, stops: Stop, /) -> Array:
        """Seconds from each car to each stop, shape (cars, n); inf: no way."""

    def fields(self, cars: Stop, groups: Stop, /) -> Fields:
        """Over the junctions about the groups."""

    def way(self, start: Stop, end: Stop, /) -> RoadWay | None:
        """Of one drive; None: no way leads there."""

    def road_at(self, latitude_deg: float, longitude_deg: float, /) -> tuple[str, str]:
        """Name and number of the road there, "" where it has none."""
