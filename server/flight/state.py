"""The state: everything that is shown of a mission at one moment. The one definition of it.

SI units, altitudes above mean sea level, angles in degrees. Moments are `datetime` in UTC to the
millisecond (RFC 3339 where written out); None is unknown. Reasons are enums with their numbers: words,
units and zones are for whoever shows it. The schema of the screen and the types of the page are made
from these classes (`python -m server.screen.generate`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from server.flight.physics.lift import Lift
from server.flight.road_state import RoadWay
from server.flight.search_state import Search
from server.flight.shapes import Polygon
from server.flight.tracker_state import Sensor, Tracker

Mode = Literal["live", "replay", "rehearsal"]
Units = Literal["metric", "aviation"]
Phase = Literal["unknown", "ground", "ascent", "float", "descent", "landed"]
EventKind = Literal["launch", "float", "sink", "burst", "landing"]
BackgroundKind = Literal["forecast", "season"]
Basis = Literal["prediction", "last contact", "landed fix"]
Side = Literal["short", "beyond", "aside"]
Statement = Literal["not launched", "launched", "landed"]
PathPoint = tuple[datetime, float, float, float]  # with latitude, longitude, altitude


@dataclass(frozen=True, slots=True)
class Launch:
    """Planned, until one was seen."""

    time: datetime | None
    latitude_deg: float | None
    longitude_deg: float | None
    altitude_m: float | None


@dataclass(frozen=True, slots=True)
class Event:
    """What happened and where; `noticed`: time of the fix that showed it."""

    kind: EventKind
    time: datetime
    altitude_m: float
    latitude_deg: float
    longitude_deg: float
    noticed: datetime


@dataclass(frozen=True, slots=True)
class Said:
    """What a crew member said of the phase, the last that was not withdrawn."""

    said: Statement
    time: datetime
    station: str


@dataclass(frozen=True, slots=True)
class Track:
    """The latest fused position. Sigmas are standard deviations, of each horizontal axis and of height."""

    time: datetime
    latitude_deg: float
    longitude_deg: float
    altitude_m: float
    climb_ms: float
    ground_speed_ms: float
    course_deg: float
    sigma_h_m: float
    sigma_v_m: float
    height_above_ground_m: float | None
    based_on: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SearchArea:
    """Where it lies with a chance of 50 and of 90 %."""

    p50: Polygon
    p90: Polygon


@dataclass(frozen=True, slots=True)
class ContactLost:
    time: datetime
    altitude_m: float
    height_above_ground_m: float


@dataclass(frozen=True, slots=True)
class Contact:
    """One receiver's: below `lowest_altitude_m` a payload over the landing point is out of its sight.

    `lost` None: contact holds to the ground. The launch site hears as "" where no car carries the station.
    """

    receiver: str
    lowest_altitude_m: float
    lost: ContactLost | None


@dataclass(frozen=True, slots=True)
class AvoidChance:
    """`chance`: the share of the ensemble that comes down in it, 0 to 1."""

    name: str
    chance: float


@dataclass(frozen=True, slots=True)
class FallDeviation:
    """A fall that is not the planned one, or not the one before, and what that does to the landing."""

    against: Literal["plan", "before"]
    ratio: float  # fall speed over what it was or was to be, at the same height
    since_altitude_m: float | None  # below it the fall is another one
    later_s: float  # negative: sooner
    away_m: float  # from where it would have come down
    side: Side  # along the drift


@dataclass(frozen=True, slots=True)
class RestSeen:
    """Fixes on the ground: how many, how they scatter (1 sigma, both axes), and how far it went since."""

    fixes: int
    scatter_m: float
    carried_m: float | None


@dataclass(frozen=True, slots=True)
class WindSource:
    """Whose winds the landing rests on: `name` "" is the flight itself, up to where it has been.

    `time`: of its last value. `distance_m`: from the payload to the nearest of its values.
    """

    name: str
    time: datetime
    top_altitude_m: float
    distance_m: float


@dataclass(frozen=True, slots=True)
class WindBackground:
    """What the wind is taken for where nobody has measured it: a forecast, or the season's westerlies.

    `run`: when the forecast's last model run began; None: it does not tell.
    """

    kind: BackgroundKind
    run: datetime | None


@dataclass(frozen=True, slots=True)
class Landing:
    """The landing point with its areas and times (5 % come down before `time_early`, 5 % after `time_late`).

    `as_of`: time of the fix that it rests on; the phase and heights are of that moment.
    """

    time: datetime
    time_early: datetime
    time_late: datetime
    latitude_deg: float
    longitude_deg: float
    altitude_m: float
    search_area: SearchArea
    radius_90_m: float
    as_of: datetime
    as_of_phase: Phase
    as_of_altitude_m: float
    as_of_height_above_ground_m: float
    basis: Basis
    path: tuple[PathPoint, ...]
    fall_speed_sea_level_ms: float | None
    sink_ms: float | None  # a balloon still carries it and it sinks so fast; None where it does not
    fall: FallDeviation | None
    rest: RestSeen | None
    winds: tuple[WindSource, ...]
    background: WindBackground | None  # None: all that is ahead has been flown through
    contacts: tuple[Contact, ...]
    avoid: tuple[AvoidChance, ...]


@dataclass(frozen=True, slots=True)
class Moved:
    """Before the launch: the predicted landing against that of an outlook, made at `since`.

    `launch_time`: the hour that the outlook was asked for; `bearing_deg`: from its landing to this one.
    """

    since: datetime
    launch_time: datetime
    distance_m: float
    bearing_deg: float
    radius_90_m: float  # the outlook's


@dataclass(frozen=True, slots=True)
class OutlookHour:
    """Before the launch: what the latest outlook said of one launch hour. `verdict`: by the plan's limits."""

    made: datetime
    launch_time: datetime
    lands: datetime | None
    latitude_deg: float
    longitude_deg: float
    radius_90_m: float
    verdict: str


@dataclass(frozen=True, slots=True)
class Way:
    """A car's way to the landing point. `bearing_deg` and `distance_m`: straight.

    `road` None: no roads are known, and road distance and time are by the straight line.
    """

    vehicle: str
    distance_m: float
    bearing_deg: float
    road_distance_m: float
    drive_s: float
    arrives: datetime
    arrives_before_landing_s: float
    no_road: bool  # roads are known, and none leads from this car to there
    road: RoadWay | None


@dataclass(frozen=True, slots=True)
class FlightState:
    """One flight of the mission."""

    name: str
    phase: Phase
    phase_probability: Mapping[str, float]
    said: Said | None
    launch: Launch
    lift: Lift | None  # worked out from balloon and gas
    events: tuple[Event, ...]
    track: Track | None
    landing: Landing | None
    moved: Moved | None  # the landing since the outlook
    outlook: tuple[OutlookHour, ...]  # the hours of the latest one, until the launch
    ways: tuple[Way, ...]  # of all cars to it, by their names
    trackers: tuple[Tracker, ...]
    sensors: tuple[Sensor, ...]
    search: Search
