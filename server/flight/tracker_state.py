"""The state of each tracker: its beacon, its last packet and fix, and what became of its fixes."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Literal

Role = Literal["main", "backup", "phone"]
TrackerState = Literal["reporting", "late", "silent", "stuck", "never heard", "waiting"]


class RejectionKind(StrEnum):
    """Why a fix, or its altitude alone, was not used."""

    OFF_EARTH = "off_earth"  # latitude or longitude out of range
    NO_FIX = "no_fix"  # the receiver itself says so
    NULL_ISLAND = "null_island"  # 0, 0: what receivers without a fix report
    SWAPPED = "swapped"  # far from the planned launch, and near it if latitude and longitude change places
    NEVER_FLEW = "never_flew"  # still on the ground while another tracker is far above
    TWO_TRANSMIT = (
        "two_transmit"  # two use its callsign, and another tracker tells where the payload is
    )
    FROZEN = "frozen"  # position the same to the last digit though it should have moved
    STUCK = "stuck"  # altitude the same to the last digit though it should have changed
    POSITION_OFF = "position_off"
    ALTITUDE_OFF = "altitude_off"
    AGAINST_PRESSURE = "against_pressure"  # altitude denied by the tracker's own barometer
    NOT_COMPUTABLE = "not_computable"  # numbers that the filter cannot compute with


@dataclass(frozen=True, slots=True)
class Rejection:
    """`off_m`: how far from the track (altitude: positive above it); for `never_flew`, how far below;
    for `swapped`, how far from the launch it would be."""

    kind: RejectionKind
    off_m: float | None = None
    against: tuple[str, ...] = ()  # the trackers that it was held against
    pressure_off_m: float | None = None  # by its own barometer it is so much higher than it says


@dataclass(frozen=True, slots=True)
class Heard:
    """By which way the last packet came: one of our sources, digipeaters, or an internet gateway."""

    source: str
    repeated_by: tuple[str, ...]
    fed_by: str
    direct: bool


@dataclass(frozen=True, slots=True)
class HeardBy:
    name: str
    packets: int


@dataclass(frozen=True, slots=True)
class Tracker:
    """One tracker: its beacon, its last packet and fix, and what became of its fixes."""

    name: str
    label: str
    role: Role
    state: TrackerState
    last_heard: datetime | None = None
    last_fix_time: datetime | None = None
    last_latitude_deg: float | None = None
    last_longitude_deg: float | None = None
    last_altitude_m: float | None = None
    last_height_above_ground_m: float | None = None
    interval_s: float | None = None
    heard: int = 0
    missed: int = 0
    copies: int = 0
    fixes: int = 0
    rejected: int = 0
    last_rejection: Rejection | None = None  # of its latest fix
    last_packet: str | None = None
    last_way: Heard | None = None
    battery_percent: float | None = None
    satellites: int | None = None  # that its receiver uses, where its wire tells
    voltage_v: float | None = None
    heard_by: tuple[HeardBy, ...] = ()
    distance_m: float | None = None  # from the own car
    bearing_deg: float | None = None


@dataclass(frozen=True, slots=True)
class Sensor:
    tracker: str
    quantity: str
    value: float
    unit: str
    time: datetime
