"""A fix: one tracker's statement of where it is, ready for the filter; and what became of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from server.flight.tracker_state import Rejection

Key = tuple[
    float, str, float, float, float, float, float, float, float, bool, float, float, float, float
]


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


def _or_lowest(value: float | None) -> float:
    return float("-inf") if value is None else value


class Verdict(NamedTuple):
    """What became of a fix, and why when it was not (wholly) used."""

    accepted: bool
    altitude_used: bool
    reason: Rejection | None


ACCEPTED = Verdict(True, True, None)
ACCEPTED_WITHOUT_ALTITUDE = Verdict(True, False, None)
