"""How each car gets to where the box comes down, over all members of the ensemble, and where to wait.

One question, one answer, off the event loop: the cars' positions, the landing with its members, and the
roads. What was advised before is part of the question, so that advice does not flicker.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

from server.flight.chase.roads import Beyond, Fields, Roads, RoadWay, Snapped, Stop
from server.flight.chase.waiting import (
    Groups,
    best,
    best_for_worst,
    best_together,
    delays,
    grouped,
    is_worth_it,
    place,
    together_mean_s,
    with_members,
)
from server.flight.physics.geodesy import LocalFrame, distance_bearing
from server.flight.road_state import WaitMove
from server.flight.shapes import Corner
from server.flight.state import Basis

Array = npt.NDArray[np.float64]

LEAVE_CHANCE = 0.9  # of being there before it lands, for "leave at the latest"
_AREA_MOVED_M = 2_000.0  # farther than this, it is the area that moved
_MOST_CARS = 12
_NEVER_S = 1e9


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


def chase(question: ChaseQuestion, roads: Roads) -> Chase | None:
    """None: no car has a position, or no road is known there."""
    q = question
    order = sorted(q.cars, key=lambda car: (not car.own, not car.follows, car.name))
    cars = order[:_MOST_CARS]
    at = np.array([[car.latitude_deg, car.longitude_deg] for car in cars]).reshape(-1, 2)
    points = (
        np.append(q.member_latitude_deg, q.latitude_deg),
        np.append(q.member_longitude_deg, q.longitude_deg),
    )
    if not cars or not roads.cover(
        *(np.concatenate([p, c]) for p, c in zip(points, at.T, strict=True))
    ):
        return None
    snapped = roads.cars(at[:, 0], at[:, 1])
    on_road = np.flatnonzero(snapped.stop.edge >= 0)
    if not len(on_road):
        return None
    stops, beyond = roads.stops(*points, _one(snapped.stop, int(on_road[0])))
    if stops.stop.edge[-1] < 0:
        return None
    drive_s = roads.drive_s(snapped.stop, stops.stop)
    known = beyond[:-1] != Beyond.UNKNOWN
    if not known.any():
        known[:] = True
    going = [n for n in on_road.tolist() if np.isfinite(drive_s[n, -1])]
    advised: dict[int, list[Advice | None]] = {n: [None, None, None] for n in going}
    together_s = apart_s = None
    if q.basis == "prediction" and len(q.member_landing_s) > 1 and going:
        together_s, apart_s = _advise(
            q,
            stops,
            known & np.isfinite(drive_s[going[0], :-1]),
            snapped,
            cars,
            going,
            roads,
            advised,
        )
    found = []
    for n in going:
        way = roads.way(_one(snapped.stop, n), _one(stops.stop, len(stops.walk_m) - 1))
        if way is not None:
            off_road_m = float(snapped.walk_m[n])
            found.append(
                _car_drive(q, known, cars[n], off_road_m, way, drive_s[n, :-1], advised[n])
            )
    told = {one.car for one in found}
    no_way = tuple(car.name for car in cars if car.name not in told)
    reached = _reached(stops, beyond)
    return Chase(q.flight, q.as_of_s, q.now_s, reached, tuple(found), no_way, together_s, apart_s)


def _reached(stops: Snapped, beyond: npt.NDArray[np.int8]) -> Reached:
    shares = [float((beyond[:-1] == kind).mean()) for kind in list(Beyond)[1:]]
    walk_late_m = float(np.quantile(np.minimum(stops.walk_m[:-1], 1e6), 0.9))
    end_deg = float(stops.latitude_deg[-1]), float(stops.longitude_deg[-1])
    return Reached(*end_deg, float(stops.walk_m[-1]), walk_late_m, *shares)


def _car_drive(
    question: ChaseQuestion,
    counted: npt.NDArray[np.bool_],
    car: Car,
    off_road_m: float,
    way: RoadWay,
    drive_s: Array,
    advised: list[Advice | None],
) -> CarDrive:
    drive_s = drive_s[counted]
    slack_s = question.member_landing_s[counted] - drive_s  # leave then, and be there as it lands
    known = np.where(np.isfinite(drive_s), drive_s, _NEVER_S)
    early_s, median_s, late_s = np.quantile(known, [0.05, 0.5, 0.95]).tolist()
    slack_s = np.where(np.isfinite(slack_s), slack_s, -_NEVER_S)
    leave_by_s = float(np.quantile(slack_s, 1.0 - LEAVE_CHANCE))
    chance = float((slack_s >= question.now_s).mean())
    return CarDrive(
        car.name, car.at_s, off_road_m, way, early_s, median_s, late_s, chance, leave_by_s, *advised
    )


def _advise(
    q: ChaseQuestion,
    stops: Snapped,
    known: npt.NDArray[np.bool_],
    snapped: Snapped,
    cars: Sequence[Car],
    going: list[int],
    roads: Roads,
    advised: dict[int, list[Advice | None]],
) -> tuple[float | None, float | None]:
    """For each car alone, for the worst tenth, and for all that follow this flight together.

    Fills `advised`; returns the mean delay of the first car, with and without looking at each other.
    """
    usable = np.flatnonzero((stops.stop.edge[:-1] >= 0) & known)
    if len(usable) < 2:
        return None, None
    frame = LocalFrame(q.latitude_deg, q.longitude_deg)
    x_m, y_m = frame.to_xy(q.member_latitude_deg[usable], q.member_longitude_deg[usable])
    groups = grouped(x_m, y_m, q.member_landing_s[usable])
    at = usable[groups.member]
    its = Stop(snapped.stop.edge[going], snapped.stop.share[going])
    fields = roads.fields(its, Stop(stops.stop.edge[at], stops.stop.share[at]))
    if not len(fields.latitude_deg):
        return None, None
    middle = int(np.hypot(x_m[groups.member], y_m[groups.member]).argmin())
    its_members = Stop(stops.stop.edge[usable], stops.stop.share[usable])
    middle_s = roads.drive_s(_one(its_members, int(groups.member[middle])), its_members)[0]
    fields = with_members(fields, groups, middle_s)
    delay_s = delays(fields, groups, q.now_s)
    last = {} if q.before is None else {one.car: one for one in q.before.cars}
    told = _Told(fields, groups, delay_s, (q.latitude_deg, q.longitude_deg), q.now_s, roads)
    for k, n in enumerate(going):
        was = last.get(cars[n].name)
        alone, worst = best(delay_s[k], groups.weight), best_for_worst(delay_s[k], groups.weight)
        if alone is not None:
            advised[n][0] = told.advice(k, alone.number, was and was.alone, "mean")
        if worst is not None:
            advised[n][1] = told.advice(k, worst.number, was and was.worst, "worst")
    following = [k for k, n in enumerate(going) if cars[n].follows]
    numbers = best_together(delay_s[following], groups.weight) if len(following) > 1 else None
    if numbers is None:
        return None, None
    kept = [last.get(cars[going[k]].name) for k in following]
    old = [None if one is None else one.together for one in kept]
    numbers = told.kept_together(following, numbers, old)
    for k, number, previous in zip(following, numbers, old, strict=True):
        advised[going[k]][2] = told.advice(k, number, previous, None)
    apart = [a.number for k in following if (a := best(delay_s[k], groups.weight)) is not None]
    mean_s = together_mean_s(delay_s[following], groups.weight, numbers)
    return mean_s, together_mean_s(delay_s[following], groups.weight, apart)


class _Told(NamedTuple):
    """Turns places of the fields into advice, with what was advised before in mind."""

    fields: Fields
    groups: Groups
    delay_s: Array
    centre: tuple[float, float]
    now_s: float
    roads: Roads

    def nearest(self, latitude_deg: float, longitude_deg: float) -> int:
        """The place of the fields next to a point."""
        north = (self.fields.latitude_deg - latitude_deg) * 111_000.0
        east = (self.fields.longitude_deg - longitude_deg) * 111_000.0
        return int(np.hypot(north, east * np.cos(np.radians(latitude_deg))).argmin())

    def advice(self, k: int, number: int, before: Advice | None, by: str | None) -> Advice:
        """`by`: what a move must win in, "mean" or "worst"; None: it was decided already."""
        new = place(self.delay_s[k], self.groups.weight, number)
        moved, since_s = WaitMove.FIRST, self.now_s
        gain_s: float | None = None
        area_moved_m: float | None = None
        if before is not None:
            old = place(self.delay_s[k], self.groups.weight, self.nearest(*before[:2]))
            area_moved_m = distance_bearing(*before.centre, *self.centre)[0]
            old_s, new_s = (one.worst_s if by == "worst" else one.mean_s for one in (old, new))
            same = old.number == number
            if same or (by is not None and np.isfinite(old_s) and not is_worth_it(old_s, new_s)):
                return self._told(k, old.number, before.moved, before.gain_s, before.area_moved_m,
                                  before.since_s, before.centre)  # fmt: skip
            gain_s = old_s - new_s if np.isfinite(old_s) else None
            if gain_s is None:
                moved = WaitMove.UNREACHABLE
            else:
                moved = WaitMove.AREA if area_moved_m > _AREA_MOVED_M else WaitMove.SOONER
        return self._told(k, number, moved, gain_s, area_moved_m, since_s, self.centre)

    def _told(
        self,
        k: int,
        number: int,
        moved: WaitMove,
        gain_s: float | None,
        area_moved_m: float | None,
        since_s: float,
        centre: tuple[float, float],
    ) -> Advice:
        at = place(self.delay_s[k], self.groups.weight, number)
        middle_s = place(self.delay_s[k], self.groups.weight, self.nearest(*self.centre)).mean_s
        latitude_deg = float(self.fields.latitude_deg[number])
        longitude_deg = float(self.fields.longitude_deg[number])
        return Advice(
            latitude_deg,
            longitude_deg,
            self.roads.road_at(latitude_deg, longitude_deg),
            at.mean_s,
            at.worst_s,
            middle_s if np.isfinite(middle_s) else None,
            float(self.fields.from_car_s[k, number]),
            since_s,
            moved,
            gain_s,
            area_moved_m,
            centre,
        )

    def kept_together(
        self, following: list[int], numbers: list[int], before: Sequence[Advice | None]
    ) -> list[int]:
        """The places before, unless others win enough."""
        if any(one is None for one in before):
            return numbers
        old = [self.nearest(*one[:2]) for one in before if one is not None]
        delay_s, weight = self.delay_s[following], self.groups.weight
        old_s = together_mean_s(delay_s, weight, old)
        new_s = together_mean_s(delay_s, weight, numbers)
        keep = np.isfinite(old_s) and not is_worth_it(old_s, new_s)
        return old if keep else numbers


def _one(stops: Stop, n: int) -> Stop:
    return Stop(stops.edge[n : n + 1], stops.share[n : n + 1])
