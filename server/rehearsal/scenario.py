"""Scenarios: short TOML files that say what flies, where, under which sky, and what goes wrong."""

from __future__ import annotations

import tomllib
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError, model_validator

FaultKind = Literal["silent", "frozen", "ceiling", "wrong_digit", "low_battery", "reboot", "no_fix"]
Event = Literal["launch", "burst", "landing"]
Format = Literal["compressed", "uncompressed", "mic-e", "nmea", "phone"]
PadPart = Literal["rest", "carried", "indoors", "settling", "driven", "tethered"]
Odd = Literal["slow climb", "float and cut", "two balloons", "slow sink", "bounce and drag"]
Positive = Annotated[float, Field(gt=0)]
Callsign = Annotated[str, Field(pattern=r"^N0CALL-([1-9]|1[0-5])$")]  # nobody's callsign
Layer = tuple[float, float, float]  # altitude m, direction it blows from in degrees, m/s


class ScenarioError(ValueError):
    """A scenario that cannot be flown; the message names file, key and what was wanted."""


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Launch(_Section):
    place: str
    latitude_deg: Annotated[float, Field(ge=-80, le=80)]
    longitude_deg: Annotated[float, Field(ge=-180, le=180)]
    time: AwareDatetime
    rest_s: Positive = 420.0  # trackers are on before the launch
    before: tuple[PadPart, ...] = ()  # what happens to the box before that rest, in order


class Lift(_Section):
    balloon_kg: Positive
    payload_kg: Positive
    free_lift_kg: Positive
    burst_diameter_m: Positive
    burst_spread: Annotated[float, Field(ge=0, le=0.3)] = 0.015  # of the diameter, 1 sigma
    climb_aloft: Positive = 1.0  # its climb above 16 km over what lift and drag give
    weak_at_m: Positive | None = None  # bursts here, before its diameter is reached
    float_altitude_m: Positive | None = None
    float_s: Annotated[float, Field(ge=0)] = 0.0


class Chute(_Section):
    diameter_m: Positive
    drag_coefficient: Positive = 0.495  # of the nominal area: ../shared/checks.md
    drag_spread: Annotated[float, Field(ge=0, le=0.5)] = 0.025  # of the fall speed: the same
    failure_chance: Annotated[float, Field(ge=0, le=1)] = 0.0  # 4 of 104 real flights
    opening_s: Positive = 25.0
    factor: Annotated[float, Field(ge=0.5, le=5)] = 1.0
    tangled_below_m: float | None = None


class Wind(_Section):
    layers: Annotated[tuple[Layer, ...], Field(min_length=1)]
    change_ms: Annotated[float, Field(ge=0, le=20)] = 3.4  # rms vector change after one hour


class Fault(_Section):
    kind: FaultKind
    event: Event = "launch"
    after_s: float = 0.0
    lasts_s: Positive | None = None  # None: for good
    below_m: Positive | None = (
        None  # it begins when the box falls below this; `event` is not looked at
    )


class Tracker(_Section):
    name: str
    role: Literal["main", "backup", "phone"] = "main"
    format: Format
    callsign: Callsign | None = None
    source: str | None = None  # of NMEA and phone
    interval_s: Positive
    offset_s: Annotated[float, Field(ge=0)] = 0.0
    hold_s: Annotated[float, Field(ge=0)] = 0.0  # from its fix to its turn on the channel
    slotted: bool = False  # keeps to the second of its slot; otherwise it drifts
    path: tuple[str, ...] = ("WIDE2-1",)
    power_w: Positive = 0.5
    nulls: Annotated[float, Field(ge=0, le=1)] | None = None  # share of packets lost; None: drawn
    telemetry: bool = False
    status: str = ""
    report_after_s: Positive = 900.0  # phone: first report after the landing
    faults: tuple[Fault, ...] = ()


class Station(_Section):
    callsign: Callsign
    place: str
    latitude_deg: float
    longitude_deg: float
    mast_m: Positive = 30.0
    digipeater: bool = False
    gate: bool = False


class Car(_Section):
    name: str
    callsign: Callsign | None = None  # reports by radio
    source: str | None = None  # reports through gpsd or NMEA
    own: bool = False  # carries the station and its TNC
    flight: str = ""  # whose landing it drives to; "" the first
    latitude_deg: float | None = None  # None: starts at the launch site
    longitude_deg: float | None = None
    leaves_after_s: float = 600.0  # after the launch
    road_speed_ms: Positive = 24.0
    # points of a road (latitude, longitude) that it drives along, and stays; (): to where it lands
    road: tuple[tuple[float, float], ...] = ()


class Feed(_Section):
    """How the station is connected."""

    tnc: Literal["kiss-tcp", "kiss-serial", "none"] = "kiss-tcp"
    internet: bool = True
    broker: bool = False  # the internet feed travels through Debian's mosquitto
    car: Literal["gpsd", "gpsd-real", "nmea-serial", "nmea-udp", "none"] = "gpsd"
    car_every_s: Positive = 5.0


class Ridge(_Section):
    """Ground that nobody sees through, from south to north, west of where the box comes down."""

    west_of_landing_m: Positive
    above_ground_m: Positive


class OtherBox(_Section):
    """Another flight on the same frequency and under the same sky: with a name, one more of ours."""

    flight: str = ""  # "": another team's, which the plan does not know
    latitude_deg: float
    longitude_deg: float
    launch_after_s: float
    trackers: Annotated[tuple[Tracker, ...], Field(min_length=1)]


class Scenario(_Section):
    """All of one file."""

    title: str
    words: str
    flight: str
    seed: int
    after_s: Positive = 1_500.0  # how long it goes on after the landing
    garbage: Annotated[int, Field(ge=0, le=200)] = 6  # receptions that nobody can read
    searched: bool = False  # whoever sits in the own car searches when the radio falls silent
    lake_radius_m: Positive | None = None  # it comes down in water
    ridge: Ridge | None = None
    road_files: tuple[str, ...] = ()  # extracts that its plan names, beside it
    odd: Odd | None = None  # a flight that does not go up, burst and come down
    launch: Launch
    balloon: Lift
    parachute: Chute
    wind: Wind
    feed: Feed = Feed()
    trackers: Annotated[tuple[Tracker, ...], Field(min_length=1)]
    stations: tuple[Station, ...] = ()
    cars: tuple[Car, ...] = ()
    others: tuple[OtherBox, ...] = ()

    @model_validator(mode="after")
    def _names(self) -> Scenario:
        flights = self.flights
        if len(set(flights)) < len(flights):
            raise ValueError("two flights have one name")
        for car in self.cars:
            if car.flight not in ("", *flights):
                raise ValueError(f"{car.name!r} follows {car.flight!r}, which is no flight of ours")
        return self

    @property
    def flights(self) -> tuple[str, ...]:
        """Names of our flights, in the order of the plan."""
        return (self.flight, *(other.flight for other in self.others if other.flight))


def names() -> list[str]:
    """The scenarios that come with the program."""
    folder = files(__package__) / "scenarios"
    return sorted(
        entry.name.removesuffix(".toml")
        for entry in folder.iterdir()
        if entry.name.endswith(".toml")
    )


def load(name: str) -> Scenario:
    """One of `names()`, or the path of a file. ScenarioError says what is wrong."""
    if name in names():
        return parse((files(__package__) / "scenarios" / f"{name}.toml").read_text("utf-8"), name)
    path = Path(name)
    if path.suffix != ".toml":
        raise ScenarioError(
            f"no scenario is named {name!r}; there are {', '.join(names())}, or a .toml file"
        )
    try:
        return parse(path.read_text("utf-8"), name)
    except (OSError, UnicodeDecodeError) as error:
        raise ScenarioError(f"{name}: cannot be read: {error}") from error


def parse(text: str, name: str) -> Scenario:
    """The same from text."""
    try:
        return Scenario.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise ScenarioError(f"{name}: not TOML: {error}") from error
    except ValidationError as error:
        lines = [
            f"{name}: {'.'.join(str(part) for part in problem['loc'])}: {problem['msg']}"
            for problem in error.errors(include_url=False)
        ]
        raise ScenarioError("\n".join(lines)) from error
