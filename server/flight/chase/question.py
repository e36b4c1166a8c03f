"""What is asked about the drives to a landing, and the answer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

from server.flight.chase.roads import RoadWay
from server.flight.road_state import WaitMove
from server.flight.shapes import Corner
from server.flight.state import Basis

Array = npt.NDArray[np.float64]


class Car(NamedTuple):
    """`at_s`: of its position. `follows`: this flight's landing is one that it drives to."""

    name: str
    own: bool
    follows: bool
    at_s: float
    latitude_deg: float
    longitude_deg: float


class Advice(NamedTuple):
    """A place to wait at. Seconds after the landing until the car is at the box's road."""

    latitude_deg: float
    longitude_deg: float
    road: tuple[str, str]  # name and number
    mean_s: float
    worst_s: float
    middle_s: float | None  # the mean from the middle of the area; None: that is not reached
    drive_s: float  # to the place, from now
    since_s: float
    moved: WaitMove  # why it is not the one before
    gain_s: float | None  # what the move wins
    area_moved_m: float | None  # since the place was advised
    centre: tuple[float, float]  # of the area then


class CarDrive(NamedTuple):
    """To the landing point, and over the members: 5, 50 and 95 % of drive times."""

    car: str
    at_s: float
    off_road_m: float
    way: RoadWay
    early_s: float
    median_s: float
    late_s: float
    chance_before: float
    leave_by_s: float
    alone: Advice | None
    worst: Advice | None
    together: Advice | None


class Reached(NamedTuple):
    """The end of the road at the landing point, and what lies beyond, of the members."""

    latitude_deg: float
    longitude_deg: float
    walk_m: float
    walk_late_m: float  # nine in ten members need not more
    beyond_water: float  # shares of the members
    beyond_motorway: float
    beyond_roads: float
    unknown: float  # no extract holds the roads there; left out of all the times


@dataclass(frozen=True, slots=True, eq=False)
class Chase:
    """`together_s`: mean delay of the first car, each at its place; `apart_s`: each at its own best."""

    flight: str
    as_of_s: float  # of the landing
    now_s: float
    reached: Reached
    cars: tuple[CarDrive, ...]
    no_way: tuple[str, ...]  # cars from which no road leads there
    together_s: float | None
    apart_s: float | None


@dataclass(frozen=True, slots=True, eq=False)
class ChaseQuestion:
    """Plain values alone: it is answered in a process of its own. Members: arrays of one shape (n,)."""

    flight: str
    basis: Basis
    as_of_s: float
    now_s: float
    latitude_deg: float  # of the landing point
    longitude_deg: float
    member_latitude_deg: Array
    member_longitude_deg: Array
    member_landing_s: Array
    cars: tuple[Car, ...]
    before: Chase | None = None  # what was advised last


class Chaser(Protocol):
    """Whoever answers such questions."""

    def chase(self, question: ChaseQuestion, /) -> Chase | None:
        """None: no car has a position, or no road is known there."""

    def reach(
        self, latitude_deg: float, longitude_deg: float, minutes: Sequence[float], /
    ) -> list[list[list[Corner]]] | None:
        """Lines that a car gets to in so many minutes, for each number of them; None: no roads there."""
