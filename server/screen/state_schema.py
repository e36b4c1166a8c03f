"""The state as the browser is told it: every section, its fields and their types.

Everything is SI; times are RFC 3339 in UTC with milliseconds; null means unknown.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from server.screen.feed import Mode

Time = Annotated[str, Field(pattern=r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z$")]
Latitude = Annotated[float, Field(ge=-90, le=90)]
Longitude = Annotated[float, Field(ge=-180, le=180)]
Count = Annotated[int, Field(ge=0)]
Phase = Literal["unknown", "ground", "ascent", "float", "descent", "landed"]
PathPoint = tuple[Time, Latitude, Longitude, float | None]


class Message(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)


class Flight(Message):
    name: str
    launch_time: Time | None
    launch_latitude_deg: Latitude | None
    launch_longitude_deg: Longitude | None
    launch_altitude_m: float | None
    lift: str | None = None  # worked out from balloon and gas, in words
    units: Literal["metric", "aviation"] = "metric"  # the page's first ones, as the plan says


class Event(Message):
    kind: str
    time: Time
    altitude_m: float | None
    latitude_deg: Latitude | None
    longitude_deg: Longitude | None
    text: str


class Track(Message):
    time: Time
    latitude_deg: Latitude
    longitude_deg: Longitude
    altitude_m: float | None
    climb_ms: float | None
    ground_speed_ms: float | None
    course_deg: float | None
    sigma_h_m: float | None
    sigma_v_m: float | None
    height_above_ground_m: float | None
    based_on: list[str]


class Polygon(Message):
    """A GeoJSON Polygon (RFC 7946): rings of [longitude, latitude]."""

    type: Literal["Polygon"]
    coordinates: list[list[tuple[Longitude, Latitude]]]


class MultiPolygon(Message):
    type: Literal["MultiPolygon"]
    coordinates: list[list[list[tuple[Longitude, Latitude]]]]


class AvoidProperties(BaseModel):
    """Further properties of the crew's file pass through and are not read."""

    name: str


class AvoidArea(Message):
    """A GeoJSON Feature: ground that nobody wants to land on, by the plan."""

    type: Literal["Feature"]
    properties: AvoidProperties
    geometry: Annotated[Polygon | MultiPolygon, Field(discriminator="type")]


class AvoidChance(Message):
    """`chance`: the share of the ensemble that comes down in it, 0 to 1."""

    name: str
    chance: Annotated[float, Field(ge=0, le=1)]


class SearchArea(Message):
    p50: Polygon
    p90: Polygon


class ContactLost(Message):
    time: Time
    altitude_m: float | None
    height_above_ground_m: float | None


class Contact(Message):
    """One receiver's: below `lowest_altitude_m` a payload over the landing point is out of its sight."""

    receiver: str
    lowest_altitude_m: float
    lost: ContactLost | None  # null: contact holds to the ground


class Landing(Message):
    time: Time
    time_early: Time | None
    time_late: Time | None
    latitude_deg: Latitude
    longitude_deg: Longitude
    altitude_m: float | None
    search_area: SearchArea | None
    radius_90_m: float | None
    as_of: Time
    basis: Literal["prediction", "last contact", "landed fix"]
    text: str
    path: list[PathPoint]
    fall_speed_sea_level_ms: float | None
    contact_lost: ContactLost | None  # of the first of the contacts
    contacts: list[Contact] = []
    avoid: list[AvoidChance] | None = None


class Hearer(Message):
    name: str
    packets: Count


class Tracker(Message):
    name: str
    label: str
    role: Literal["main", "backup", "phone"]
    state: Literal["reporting", "late", "silent", "stuck", "never heard", "waiting"]
    text: str
    last_heard: Time | None
    last_fix_time: Time | None
    last_latitude_deg: Latitude | None
    last_longitude_deg: Longitude | None
    last_altitude_m: float | None
    interval_s: float | None
    heard: Count
    missed: Count | None
    copies: Count
    fixes: Count
    rejected: Count
    reject_reason: str | None
    last_packet: str | None
    last_path: str | None
    direct: bool | None
    battery_percent: float | None
    voltage_v: float | None
    heard_by: list[Hearer]
    distance_m: float | None
    bearing_deg: float | None


class Station(Message):
    name: str
    last_heard: Time | None
    latitude_deg: Latitude | None
    longitude_deg: Longitude | None
    altitude_m: float | None
    packets: Count


class Vehicle(Message):
    name: str
    own: bool
    source: str | None
    time: Time | None
    latitude_deg: Latitude | None
    longitude_deg: Longitude | None
    speed_ms: float | None
    course_deg: float | None
    distance_m: float | None
    bearing_deg: float | None
    road_distance_m: float | None
    drive_s: float | None
    arrives: Time | None
    arrives_before_landing_s: float | None


class Sensor(Message):
    tracker: str
    quantity: str
    value: float | None
    unit: str
    time: Time


class Alarm(Message):
    id: str
    kind: str
    severity: Literal["info", "warning", "urgent"]
    time: Time
    text: str
    acknowledged: bool


class Said(Message):
    """What a crew member said of the phase, the last that was not withdrawn."""

    said: Literal["not launched", "launched", "landed"]
    time: Time
    station: str


class Receptions(Message):
    total: Count
    undecodable: Count
    rejected: Count
    copies: Count


class Source(Message):
    name: str
    kind: str
    state: Literal["connecting", "open", "quiet", "failed", "waiting", "off"]
    reason: str | None
    since: Time | None
    receptions: Count


class Replay(Message):
    speed: float
    paused: bool
    position: Time
    start: Time
    end: Time
    log: str


class State(Message):
    now: Time
    number: Count
    mode: Mode
    flight: Flight
    phase: Phase
    phase_probability: dict[str, float]
    events: list[Event]
    said: Said | None = None
    track: Track | None
    landing: Landing | None
    trackers: list[Tracker]
    stations: list[Station]
    vehicles: list[Vehicle]
    sensors: list[Sensor]
    alarms: list[Alarm]
    receptions: Receptions
    sources: list[Source]
    plan_problems: list[str]
    cautions: list[str]
    replay: Replay | None
    avoid: list[AvoidArea] | None = None
