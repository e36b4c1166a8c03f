"""A fix: one tracker's statement of where it is, ready for the filter; and what became of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple


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

    @property
    def key(self) -> tuple[float, str, float, float, float, float, float, float]:
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
        )


def _or_lowest(value: float | None) -> float:
    return float("-inf") if value is None else value


class Verdict(NamedTuple):
    """What became of a fix, in words for the crew when it was not (wholly) used."""

    accepted: bool
    altitude_used: bool
    reason: str | None


ACCEPTED = Verdict(True, True, None)
ACCEPTED_WITHOUT_ALTITUDE = Verdict(True, False, None)


class TrackerMemory(NamedTuple):
    """What the filter remembers of one tracker: repeats, and its altitude offset."""

    position: tuple[float, float]
    altitude_m: float | None
    position_since_s: float  # since when it has repeated that position, to the last digit
    altitude_since_s: float
    position_repeats: int
    altitude_repeats: int
    offset_m: float  # its altitudes minus the track's
    var_offset: float
    noise: float  # variance of its positions over the one that they state, learned, at least 1
    rejected_in_row: int


def remember(memory: TrackerMemory | None, fix: Fix) -> TrackerMemory:
    """The memory of a tracker once `fix` has come."""
    position = (fix.latitude_deg, fix.longitude_deg)
    if memory is None:
        var_offset = fix.sigma_datum_m**2
        t = fix.time_s
        return TrackerMemory(position, fix.altitude_m, t, t, 0, 0, 0.0, var_offset, 1.0, 0)
    same = position == memory.position
    level = fix.altitude_m is not None and fix.altitude_m == memory.altitude_m
    newer = fix.time_s > memory.position_since_s
    return memory._replace(
        position=position,
        altitude_m=fix.altitude_m if fix.altitude_m is not None else memory.altitude_m,
        position_since_s=memory.position_since_s if same else fix.time_s,
        altitude_since_s=memory.altitude_since_s if level else fix.time_s,
        position_repeats=memory.position_repeats + newer if same else 0,
        altitude_repeats=memory.altitude_repeats + newer if level else 0,
    )
