"""All that can decide the state of a mission: receptions, ticks, commands and the plan.

Same inputs, same state. Nothing else (no clock, no file, no chance) has a say.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from decoders.readings import Reading
from decoders.reports import Wire
from server.flight.physics.lift import Lift, LiftPlan, usual_burst


@dataclass(frozen=True, slots=True, order=True)
class Reception:
    """One thing heard by one source. Its order by fields is the canonical order of receptions."""

    heard_at_ms: int  # UTC milliseconds since 1970-01-01, by the clock of the station that heard it
    source: str  # name of the source in the plan, no white space; "car-1/tnc" where stations share
    wire: Wire
    # kiss: type byte and AX.25 frame, unescaped; agw: header and data; others: one line or JSON body
    payload: bytes

    @property
    def heard_at_s(self) -> float:
        return self.heard_at_ms / 1000.0

    @property
    def station(self) -> str:
        """Whose clock timed it; "" where the stations have no names."""
        station, slash, _ = self.source.partition("/")
        return station if slash else ""


@dataclass(frozen=True, slots=True)
class Tick:
    """Time has passed; nothing was heard."""

    now_s: float


CommandKind = Literal["acknowledge", "recall", "vehicle", "phase", "assign"]
COMMAND_KINDS: tuple[CommandKind, ...] = ("acknowledge", "recall", "vehicle", "phase", "assign")
PhaseSaid = Literal["not launched", "launched", "landed", "withdrawn"]
PHASES_SAID: tuple[PhaseSaid, ...] = ("not launched", "launched", "landed", "withdrawn")


@dataclass(frozen=True, slots=True)
class Command:
    """A crew member did something on the screen that must outlive a restart."""

    at_s: float
    kind: CommandKind
    name: str  # alarm id, with who has seen it (`seen_by`; also of `recall`: not seen after all), vehicle
    # name (also of `assign`), or what is said of the phase (`PHASES_SAID`)
    latitude_deg: float | None = None  # vehicle only
    longitude_deg: float | None = None
    station: str = ""  # on whose screen, where several stations share a mission
    flight: str = ""  # of `phase` and `assign`: whose; "" the first, and for `assign` all

    @property
    def order(self) -> tuple[float, str, str, str, float, float, str]:
        """The canonical order of commands."""
        place = (self.latitude_deg or 0.0, self.longitude_deg or 0.0)
        return self.at_s, self.kind, self.name, self.station, *place, self.flight


def seen_by(alarm: str, person: str) -> str:
    """The name of a command that acknowledges: the alarm, and on a line of its own who, if that is known.

    Journals of before persons were named hold the id alone.
    """
    return f"{alarm}\n{person}" if person else alarm


def alarm_and_person(name: str) -> tuple[str, str]:
    """Reads `seen_by` back."""
    alarm, _, person = name.partition("\n")
    return alarm, person


@dataclass(frozen=True, slots=True)
class LaunchPlan:
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    altitude_m: float | None = None  # above mean sea level
    time_s: float | None = None


@dataclass(frozen=True, slots=True)
class BalloonPlan:
    burst_altitude_m: float = usual_burst(None).mean_m
    burst_altitude_sigma_m: float = usual_burst(None).sigma_m
    ascent_rate_ms: float = 5.0
    ascent_rate_sigma_ms: float = 0.8
    lift_plan: LiftPlan | None = None
    lift: Lift | None = None  # worked out from it


@dataclass(frozen=True, slots=True)
class DescentPlan:
    """Either the fall speed at sea level, or mass and parachute diameter; None: unknown."""

    fall_speed_sea_level_ms: float | None = None
    fall_speed_relative_sigma: float | None = None
    mass_kg: float | None = None  # all that hangs under the parachute, parachute included
    parachute_diameter_m: float | None = None
    drag_coefficient: float | None = None


@dataclass(frozen=True, slots=True)
class TrackerPlan:
    name: str  # shown on the screen
    callsign: str | None = None  # the name that its wire carries, however written there
    source: str | None = None  # identity of NMEA and phone trackers: the source's name
    role: Literal["main", "backup", "phone"] = "main"
    comment_pattern: str | None = None  # regular expression with named groups
    comment_scales: Mapping[str, tuple[float, float, str]] = field(default_factory=dict)
    # group -> (factor, offset, unit): value = number * factor + offset

    @property
    def names(self) -> tuple[str, ...]:
        """By which it is heard."""
        return tuple(name for name in (self.callsign, self.source) if name is not None)


@dataclass(frozen=True, slots=True)
class VehiclePlan:
    name: str
    callsign: str | None = None
    source: str | None = None
    own: bool = False  # the car that carries this station
    flight: str = ""  # the one that it follows, until a command says otherwise; "" any
    road_speed_ms: float = 18.0
    road_factor: float = 1.35  # road distance / straight distance; common practice, no source

    @property
    def names(self) -> tuple[str, ...]:
        """By which it is heard."""
        return tuple(name for name in (self.callsign, self.source) if name is not None)


@dataclass(frozen=True, slots=True)
class AlarmPlan:
    low_height_m: float = 600.0  # above ground; our choice: the last minutes of hearing it
    silent_after_intervals: float = 4.0


@dataclass(frozen=True, slots=True)
class AvoidArea:
    """Ground that nobody wants to land on. Closed rings of longitude, latitude; holes by even-odd."""

    name: str
    rings: tuple[tuple[tuple[float, float], ...], ...]


@dataclass(frozen=True, slots=True)
class OutlookLanding:
    """What an outlook, made before the flight, said of one launch hour. Times in UTC seconds."""

    made_s: float
    launch_s: float
    latitude_deg: float
    longitude_deg: float
    radius_90_m: float
    lands_s: float | None = None
    verdict: str = "unknown"  # fit, doubtful or unfit by the plan's limits


@dataclass(frozen=True, slots=True)
class FlightPlan:
    """One balloon of the day with its box. A tracker belongs to one flight."""

    name: str = "unnamed flight"
    launch: LaunchPlan = LaunchPlan()
    balloon: BalloonPlan = BalloonPlan()
    descent: DescentPlan = DescentPlan()
    trackers: tuple[TrackerPlan, ...] = ()
    alarms: AlarmPlan = AlarmPlan()
    outlook: tuple[OutlookLanding, ...] = ()


@dataclass(frozen=True, slots=True)
class Plan:
    """A mission: its flights, at least one, each with a name of its own, and what they share."""

    flights: tuple[FlightPlan, ...] = (FlightPlan(),)
    vehicles: tuple[VehiclePlan, ...] = ()
    avoid: tuple[AvoidArea, ...] = ()
    station: str = ""  # our own among several: its clock is the one that now is read from
    # by full source name: how to read what the wire alone does not tell
    readings: Mapping[str, Reading] = field(default_factory=dict)
    infer_trackers: bool = (
        False  # no plan: who reports above 3,000 m is a tracker of the first flight
    )

    @property
    def trackers(self) -> tuple[TrackerPlan, ...]:
        """Of all flights."""
        return tuple(tracker for flight in self.flights for tracker in flight.trackers)
