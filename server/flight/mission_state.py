"""The whole of a mission's state: its flights, and what they share. Conventions as in `state`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Literal

from server.flight.shapes import MultiPolygon, Polygon
from server.flight.state import FlightState, Mode, Units

AlarmKind = str  # any name: a new rule needs no other file; the page words those that it knows
Severity = Literal["info", "warning", "urgent"]
Fact = float | str | datetime  # the unit stands in its name


@dataclass(frozen=True, slots=True)
class Alarm:
    """From its rise (`time`) to its end (`until`). `id` names the occurrence, so it can be acknowledged.

    `acknowledged_by`: on which station's screen, `acknowledged_person`: who, as their device says; "" where
    none is named. `facts` are its numbers, with
    units in their names.
    """

    id: str
    kind: AlarmKind
    severity: Severity
    flight: str
    time: datetime
    until: datetime | None
    acknowledged: bool
    acknowledged_by: str
    acknowledged_person: str
    facts: Mapping[str, Fact]


@dataclass(frozen=True, slots=True)
class Vehicle:
    """A car's latest position. `flight`: whose landing it drives to; "" any. Its ways stand there."""

    name: str
    own: bool
    flight: str
    source: str
    time: datetime
    latitude_deg: float
    longitude_deg: float
    speed_ms: float | None
    course_deg: float | None


@dataclass(frozen=True, slots=True)
class UnplacedVehicle:
    """A car of the plan of which no position is known yet; the crew can give it one."""

    name: str
    own: bool


@dataclass(frozen=True, slots=True)
class Sender:
    """Somebody else on the channel."""

    name: str
    last_heard: datetime | None
    latitude_deg: float | None
    longitude_deg: float | None
    altitude_m: float | None
    packets: int


@dataclass(frozen=True, slots=True)
class Receptions:
    total: int
    undecodable: int
    rejected: int
    copies: int


@dataclass(frozen=True, slots=True)
class Source:
    """A source, or a link to another station; `reason` is the system's or the other side's own words."""

    name: str
    kind: str
    state: Literal["connecting", "open", "quiet", "failed", "waiting", "off"]
    reason: str | None
    since: datetime
    receptions: int


class ProblemKind(StrEnum):
    """What is wrong with what was heard, with the clocks, or with this station itself."""

    OWN_CLOCK = "own_clock"  # off by `ahead_s`; times are put right
    OTHER_CLOCK = "other_clock"  # the clock of `name`, likewise
    OWN_CLOCK_BEHIND = "own_clock_behind"  # all that others heard is later than now
    UNDATED = "undated"  # `name` shows another day: `count` packets are not used
    LATER_THAN_NOW = "later_than_now"  # `name` heard `count` packets later than now, up to `time`
    TIMES_AHEAD = "times_ahead"  # `count` positions of `name` are later than they were heard
    TIMES_BEHIND = "times_behind"  # ... or much earlier
    FAR_FROM_LAUNCH = "far_from_launch"  # tracker `name` is `distance_m` from its planned launch
    SWAPPED = (
        "swapped"  # `count` positions of tracker `name`; exchanged, `distance_m` from the launch
    )
    UNUSABLE = "unusable"  # `count` receptions could not be taken in; `detail`: kinds of error
    JOURNAL_READ = "journal_read"  # what was heard before the start is being read, `count` % of it
    JOURNAL_REFUSES = "journal_refuses"  # `count` receptions are in memory alone
    JOURNAL_ELSEWHERE = (
        "journal_elsewhere"  # its folder cannot be written to; `detail`: where it lies
    )
    DISK_FILLS = "disk_fills"  # `count` megabytes are free where the journal lies
    LANDING_FAILED = "landing_failed"  # the one shown is of `time`
    FORECAST_UNUSED = "forecast_unused"
    WINDS_UNUSED = "winds_unused"  # a file of measured winds
    MAP_UNUSED = "map_unused"
    ROADS_READ = "roads_read"  # extract `name` is being read, `count` % of it
    ROADS_UNUSED = "roads_unused"
    PACK_UNUSED = "pack_unused"  # a file that was fetched for the flight
    JOURNAL_DAMAGED = (
        "journal_damaged"  # `count` receptions were saved; `name`: where the rest lies
    )
    JOURNAL_UNSAVED = "journal_unsaved"  # `count` receptions of damaged `name` are in memory alone
    ENTRIES_ALTERED = (
        "entries_altered"  # `count` of the journal, on the disk: not used; `detail`: which
    )
    NOT_CLOSED = "not_closed"  # the last run was killed, or lost its power; it heard until `time`
    NAME_TWICE = "name_twice"  # another station speaks as `name`, which is this one
    CLOCK_SET_BACK = (
        "clock_set_back"  # this computer's, by at least -`ahead_s` since the last reception
    )
    PLAN_EDITED = "plan_edited"  # in flight: it holds from the next start
    PLAN_UNUSABLE = "plan_unusable"  # it was edited in flight and is wrong now
    REQUESTS_CUT = "requests_cut"  # `count` connections of late: no whole request came over them
    READERS_CUT = "readers_cut"  # `count` pages of late: they took nothing of what was sent
    TASK_FAILED = "task_failed"  # side work `name` ended; it is tried again


@dataclass(frozen=True, slots=True)
class Problem:
    """`detail`: what the system, a file or a person said; it is shown and never read by code."""

    kind: ProblemKind
    name: str | None = None
    count: int | None = None
    ahead_s: float | None = None
    distance_m: float | None = None
    time: datetime | None = None
    detail: str | None = None


@dataclass(frozen=True, slots=True)
class AreaProperties:
    name: str


@dataclass(frozen=True, slots=True)
class AvoidArea:
    """A GeoJSON Feature: ground that nobody wants to land on, by the plan."""

    properties: AreaProperties
    geometry: Polygon | MultiPolygon
    type: Literal["Feature"] = "Feature"


@dataclass(frozen=True, slots=True)
class Replay:
    speed: float
    paused: bool
    position: datetime
    start: datetime
    end: datetime
    log: str


@dataclass(frozen=True, slots=True)
class State:
    """`number`: receptions taken in so far. `units`: the page's first ones, as the plan says."""

    now: datetime
    number: int
    mode: Mode
    station: str
    units: Units
    flights: tuple[FlightState, ...]
    vehicles: tuple[Vehicle, ...]
    unplaced: tuple[UnplacedVehicle, ...]
    senders: tuple[Sender, ...]
    alarms: tuple[Alarm, ...]
    sources: tuple[Source, ...]
    links: tuple[Source, ...]
    receptions: Receptions
    problems: tuple[Problem, ...]
    avoid: tuple[AvoidArea, ...]
    replay: Replay | None
