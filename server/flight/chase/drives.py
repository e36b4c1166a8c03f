"""How each car gets to where the box comes down, over all members of the ensemble, and where to wait.

One question, one answer, off the event loop: the cars' positions, the landing with its members, and the
roads. What was advised before is part of the question, so that advice does not flicker.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from server.flight.chase.advice import advise
from server.flight.chase.question import Advice, Car, CarDrive, Chase, ChaseQuestion, Reached
from server.flight.chase.roads import Beyond, Roads, RoadWay, Snapped

Array = npt.NDArray[np.float64]

LEAVE_CHANCE = 0.9  # of being there before it lands, for "leave at the latest"
_MOST_CARS = 12
_NEVER_S = 1e9


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
    stops, beyond = roads.stops(*points, snapped.stop.only(int(on_road[0])))
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
        together_s, apart_s = advise(
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
        way = roads.way(snapped.stop.only(n), stops.stop.only(len(stops.walk_m) - 1))
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
