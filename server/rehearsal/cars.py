"""Chase cars on section roads: east and west, north and south, at a plain road speed."""

from __future__ import annotations

import math

from server.rehearsal.scenario import Car as CarPlan
from server.rehearsal.scenario import Scenario
from server.rehearsal.terrain import ground_m
from server.rehearsal.truth import Truth, metres_per_degree

NEAR_M = 150.0  # from here on the crew walks
_PICK_UP_S = 12.0  # to the road speed


class Car:
    """One car. `aim` says where it is bound for; None: it waits."""

    def __init__(self, plan: CarPlan, start: tuple[float, float], time_s: float) -> None:
        self.plan = plan
        self.latitude_deg, self.longitude_deg = start
        self.speed_ms = 0.0
        self.course_deg = 90.0
        self.aim: tuple[float, float] | None = None
        self.time_s = time_s
        self.may_leave_s = math.inf
        self._road = list(plan.road)  # what is left of it

    def drive(self, until_s: float) -> None:
        """Move in steps of one second."""
        while self.time_s < until_s:
            self.time_s = min(self.time_s + 1.0, until_s)
            self._step(1.0)

    @property
    def altitude_m(self) -> float:
        return ground_m(self.latitude_deg, self.longitude_deg)

    def _along_road(self, seconds: float) -> None:
        """Towards one point of the road after the other; at its end it stays."""
        limit_ms = self.plan.road_speed_ms
        self.speed_ms = min(self.speed_ms + limit_ms * seconds / _PICK_UP_S, limit_ms)
        left_m = self.speed_ms * seconds
        while left_m > 0.0 and self._road:
            north_m, east_m = metres_per_degree(self.latitude_deg)
            to_north_m = (self._road[0][0] - self.latitude_deg) * north_m
            to_east_m = (self._road[0][1] - self.longitude_deg) * east_m
            away_m = math.hypot(to_north_m, to_east_m)
            if away_m > 0.0:
                self.course_deg = math.degrees(math.atan2(to_east_m, to_north_m)) % 360.0
            share = 1.0 if away_m <= left_m else left_m / away_m
            self.latitude_deg += to_north_m * share / north_m
            self.longitude_deg += to_east_m * share / east_m
            left_m -= away_m
            if share == 1.0:
                self._road.pop(0)
        if not self._road:
            self.speed_ms = 0.0

    def _step(self, seconds: float) -> None:
        if self.aim is None or self.time_s < self.may_leave_s:
            self.speed_ms = 0.0
            return
        if self.plan.road:
            self._along_road(seconds)
            return
        north_m, east_m = metres_per_degree(self.latitude_deg)
        to_north_m = (self.aim[0] - self.latitude_deg) * north_m
        to_east_m = (self.aim[1] - self.longitude_deg) * east_m
        if math.hypot(to_north_m, to_east_m) < NEAR_M:
            self.speed_ms = 0.0
            return
        limit_ms = self.plan.road_speed_ms
        self.speed_ms = min(self.speed_ms + limit_ms * seconds / _PICK_UP_S, limit_ms)
        way_m = self.speed_ms * seconds
        # along the road that it is on while that helps, then it turns
        eastward = self.course_deg in (90.0, 270.0)
        if eastward and abs(to_east_m) < 60.0:
            eastward = False
        elif not eastward and abs(to_north_m) < 60.0:
            eastward = True
        course_deg = (
            (90.0 if to_east_m > 0 else 270.0) if eastward else (0.0 if to_north_m > 0 else 180.0)
        )
        if course_deg != self.course_deg:
            self.speed_ms *= 0.3
            self.course_deg = course_deg
        if eastward:
            self.longitude_deg += math.copysign(min(way_m, abs(to_east_m)), to_east_m) / east_m
        else:
            self.latitude_deg += math.copysign(min(way_m, abs(to_north_m)), to_north_m) / north_m


def cars_of(scenario: Scenario, truth: Truth) -> list[Car]:
    """The cars as they stand at the beginning: beside the launch, where the scenario says nothing else."""
    cars = []
    launch = scenario.launch
    for plan in scenario.cars:
        start = (
            launch.latitude_deg - 0.002 if plan.latitude_deg is None else plan.latitude_deg,
            launch.longitude_deg + 0.003 if plan.longitude_deg is None else plan.longitude_deg,
        )
        car = Car(plan, start, truth.start_s)
        car.may_leave_s = truth.launch_s + plan.leaves_after_s
        cars.append(car)
    return cars
