"""What is shown of roads: a car's way over them, and where to wait. Conventions as in `state`."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from server.flight.shapes import Corner


class WaitMove(StrEnum):
    """Why a place to wait at is not the one before."""

    FIRST = "first"  # there was none
    AREA = "area"  # the predicted area has moved
    SOONER = "sooner"  # another one wins time
    UNREACHABLE = "unreachable"  # the one before is not reached any more


@dataclass(frozen=True, slots=True)
class Waiting:
    """A place on the roads to wait at. Seconds from the landing until the car is at the box's road.

    `wins_s`: against waiting in the middle of the area; None: that is no place for a car. `gain_s` and
    `area_moved_m`: what the last move won, and how far the area had gone since the place before.
    """

    latitude_deg: float
    longitude_deg: float
    name: str
    ref: str
    mean_s: float
    worst_s: float  # mean of the worst tenth
    wins_s: float | None
    drive_s: float
    since: datetime
    moved: WaitMove
    gain_s: float | None
    area_moved_m: float | None


@dataclass(frozen=True, slots=True)
class RoadTurn:
    """A stretch of the way on one road. `turn_deg`: to get onto it, right positive; None at the start."""

    name: str
    ref: str
    length_m: float
    turn_deg: float | None
    roundabout: bool
    ferry: bool
    track: bool
    latitude_deg: float  # where it begins
    longitude_deg: float


@dataclass(frozen=True, slots=True)
class RoadEnd:
    """Where a car gets to for the landing point, and what is left; shares of the ensemble, 0 to 1.

    A point is beyond something when no road within a walk is on its side.
    """

    latitude_deg: float
    longitude_deg: float
    walk_m: float
    climb_m: float | None  # from there to the landing point, where the terrain is known
    walk_s: float
    walk_90_m: float  # nine members in ten need not walk farther
    beyond_water: float
    beyond_motorway: float
    beyond_roads: float
    unknown: float  # no extract holds the roads there; they are left out of all the times


@dataclass(frozen=True, slots=True)
class ReachLines:
    """How far a car gets in so many minutes: lines of longitude, latitude."""

    minutes: float
    lines: tuple[tuple[Corner, ...], ...]


@dataclass(frozen=True, slots=True)
class Reach:
    """Of a vehicle, from where it was at `from_time`."""

    vehicle: str
    from_time: datetime
    minutes: tuple[ReachLines, ...]


@dataclass(frozen=True, slots=True)
class RoadWay:
    """A car's way over the roads, from where it was at `from_time`, to the prediction of `as_of`.

    `drive_early_s`, `drive_late_s`: 5 and 95 % of the ensemble; `chance_before`: of being there before
    it lands; `leave_by`: for nine chances in ten. `line`: longitude, latitude.
    """

    from_time: datetime
    as_of: datetime
    off_road_m: float  # of the car
    drive_early_s: float
    drive_median_s: float
    drive_late_s: float
    chance_before: float
    leave_by: datetime | None
    track_m: float  # the last stretch, as far as it is a track
    turns: tuple[RoadTurn, ...]
    line: tuple[Corner, ...]
    end: RoadEnd
    wait: Waiting | None  # alone
    wait_worst: Waiting | None  # for the worst tenth
    wait_together: Waiting | None  # with the other cars of this flight
