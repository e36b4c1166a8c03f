"""A fix: one tracker's statement of where it is, ready for the filter; and what became of it."""

from __future__ import annotations

import bisect
from collections.abc import Sequence
from dataclasses import dataclass
from operator import attrgetter
from typing import NamedTuple

from server.flight.tracker_state import Rejection

Key = tuple[
    float, str, float, float, float, float, float, float, float, bool, float, float, float, float
]
_time_s, _order = attrgetter("time_s"), attrgetter("order")


@dataclass(frozen=True, slots=True)
class Fix:
    """Altitude in metres above mean sea level, but for a constant datum error of the tracker."""

    time_s: float  # the packet's own time, or when it was first heard
    tracker: str
    latitude_deg: float
    longitude_deg: float
    altitude_m: float | None
    course_deg: float | None
    speed_ms: float | None
    sigma_h_m: float  # 1 sigma on each horizontal axis
    sigma_v_m: float
    sigma_datum_m: float  # 1 sigma of the datum error
    own_time: bool  # False: the time is when it was first heard
    pressure_pa: float | None = None  # measured aboard, in the same packet
    step_h_m: float = 0.0  # of its format: what the last digit is worth
    step_v_m: float = 0.0

    @property
    def order(self) -> Key:
        """The canonical order of fixes: by time, then by everything else that tells two apart."""
        return (
            self.time_s,
            self.tracker,
            self.latitude_deg,
            self.longitude_deg,
            _or_lowest(self.altitude_m),
            _or_lowest(self.course_deg),
            _or_lowest(self.speed_ms),
            self.sigma_h_m,
            _or_lowest(self.pressure_pa),
            self.own_time,
            self.sigma_v_m,
            self.sigma_datum_m,
            self.step_h_m,
            self.step_v_m,
        )


def place_of(fixes: Sequence[Fix], fix: Fix) -> int:
    """Where a fix stands, or would stand, among those in canonical order: by its time alone as a rule."""
    first = bisect.bisect_left(fixes, fix.time_s, key=_time_s)
    end = bisect.bisect_right(fixes, fix.time_s, first, key=_time_s)
    return first if first == end else bisect.bisect_left(fixes, fix.order, first, end, key=_order)


def _or_lowest(value: float | None) -> float:
    return float("-inf") if value is None else value


class Verdict(NamedTuple):
    """What became of a fix, and why when it was not (wholly) used."""

    accepted: bool
    altitude_used: bool
    reason: Rejection | None


ACCEPTED = Verdict(True, True, None)
ACCEPTED_WITHOUT_ALTITUDE = Verdict(True, False, None)
