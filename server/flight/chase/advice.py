"""Where each car waits best: alone, for the worst tenth, and together with the others."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from server.flight.chase.question import Advice, Car, ChaseQuestion
from server.flight.chase.roads import Fields, Roads, Snapped, Stop
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

Array = npt.NDArray[np.float64]

_AREA_MOVED_M = 2_000.0  # farther than this, it is the area that moved


def advise(
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
    middle_s = roads.drive_s(its_members.only(int(groups.member[middle])), its_members)[0]
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
