"""The sounding as BUFR edition 4, through ecCodes (the extra grib).

WMO-No. 306, Manual on Codes, volume I.2: template 309052 (TEMP, levels by pressure) where the flight
measured pressure, otherwise 309051 (PILOT, winds by height). Values stand at the levels' middles.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from typing import NamedTuple

from server.debrief.air import dew_point_c, geopotential_height_m
from server.debrief.record import FlightRecord
from server.debrief.sounding import Level

TEMP, PILOT = 309052, 309051
LEFT_OUT = (
    "the sounding as BUFR is left out: it needs the extra 'grib' (pip install 'leeward[grib]')"
)
_TABLES = 36  # version of the master tables: of 2021
_MOBILE = {TEMP: 6, PILOT: 3}  # common code table C-13, category 2: TEMP MOBIL, PILOT MOBIL
_LAUNCH_TIME = 18  # code table 0 08 021
_KELVIN = 273.15


class BufrUnavailable(Exception):
    """The library that writes BUFR is not installed."""


class Start(NamedTuple):
    """Where and when the balloon was let go, in whole seconds. Altitude above mean sea level."""

    identifier: str
    time_s: int
    latitude_deg: float
    longitude_deg: float
    altitude_m: float | None  # of the ground there


class _Field(NamedTuple):
    """An element of a level, and the range that its bits can hold (table B)."""

    key: str
    value: Callable[[Start, Level], float | None]
    low: float
    high: float

    def within(self, value: float | None) -> float | None:
        """None, which is written as missing, for what the bits cannot hold."""
        held = value is not None and math.isfinite(value) and self.low <= value <= self.high
        return float(value) if value is not None and held else None


_COMMON = (
    _Field("timePeriod", lambda s, v: round(v.time_s - s.time_s), -8_192, 24_574),
    _Field("extendedVerticalSoundingSignificance", lambda _, __: 0, 0, 0),  # no special level
    _Field("latitudeDisplacement", lambda s, v: v.latitude_deg - s.latitude_deg, -90.0, 90.0),
    _Field(
        "longitudeDisplacement",
        lambda s, v: _turn(v.longitude_deg - s.longitude_deg),
        -180.0,
        180.0,
    ),
    _Field("windDirection", lambda _, v: _direction(v), 0, 360),
    _Field("windSpeed", lambda _, v: v.speed_ms, 0.0, 409.0),
)
_OF_TEMPLATE = {
    TEMP: (
        _Field("pressure", lambda _, v: v.pressure_pa, 1.0, 160_000.0),
        _Field("nonCoordinateGeopotentialHeight", lambda _, v: _height(v), -1_000.0, 130_000.0),
        _Field("airTemperature", lambda _, v: _kelvin(v.temperature_c), 100.0, 400.0),
        _Field(
            "dewpointTemperature",
            lambda _, v: _kelvin(dew_point_c(v.temperature_c, v.humidity_percent)),
            100.0,
            400.0,
        ),
    ),
    PILOT: (_Field("geopotentialHeight", lambda _, v: _height(v), -1_000.0, 130_000.0),),
}


def _turn(degrees: float) -> float:
    return (degrees + 180.0) % 360.0 - 180.0


def _kelvin(celsius: float | None) -> float | None:
    return None if celsius is None else celsius + _KELVIN


def _height(level: Level) -> float:
    return geopotential_height_m(level.altitude_m, level.latitude_deg)


def _direction(level: Level) -> int:
    """0 is a calm, 360 a wind from the north (0 11 001)."""
    return 0 if level.speed_ms < 0.05 else round(level.from_deg) or 360


def template_of(levels: Sequence[Level]) -> int:
    return TEMP if any(v.pressure_pa is not None for v in levels) else PILOT


def start_of(record: FlightRecord, levels: Sequence[Level]) -> Start:
    """The launch, or the lowest level where it was not heard."""
    identifier = next(iter(record.flight.trackers), "")[:9]
    identifier = "".join(c if " " <= c <= "~" else "?" for c in identifier)
    launch, lowest = record.first("launch"), levels[0]
    if launch is None:
        return Start(
            identifier, round(lowest.time_s), lowest.latitude_deg, lowest.longitude_deg, None
        )
    on_ground = -400.0 <= launch.altitude_m <= 12_000.0  # what 0 07 030 can hold
    return Start(
        identifier,
        round(launch.time_s),
        launch.latitude_deg,
        launch.longitude_deg,
        launch.altitude_m if on_ground else None,
    )


def sounding_bufr(record: FlightRecord, levels: Sequence[Level]) -> bytes:
    """One message with one subset. BufrUnavailable without ecCodes; `levels` are not empty."""
    try:
        import eccodes
    except (ImportError, RuntimeError) as error:  # the second: without its C library
        raise BufrUnavailable(LEFT_OUT) from error
    template, start = template_of(levels), start_of(record, levels)
    message = eccodes.codes_bufr_new_from_samples("BUFR4")
    try:
        for key, value in _head(template, start).items():
            eccodes.codes_set(message, key, value)
        # numbers of levels, and of wind shears, of which none are given
        eccodes.codes_set_array(
            message, "inputExtendedDelayedDescriptorReplicationFactor", [len(levels)]
        )
        eccodes.codes_set_array(message, "inputDelayedDescriptorReplicationFactor", [0])
        eccodes.codes_set(message, "unexpandedDescriptors", template)
        for key, said in _body(template, start).items():
            eccodes.codes_set(message, key, said)
        for field in (*_COMMON, *_OF_TEMPLATE[template]):
            column = [field.within(field.value(start, level)) for level in levels]
            eccodes.codes_set_array(
                message,
                field.key,
                [eccodes.CODES_MISSING_DOUBLE if v is None else v for v in column],
            )
        eccodes.codes_set(message, "pack", 1)
        return bytes(eccodes.codes_get_message(message))
    finally:
        eccodes.codes_release(message)


def _head(template: int, start: Start) -> dict[str, int]:
    return {
        "masterTablesVersionNumber": _TABLES,
        "bufrHeaderCentre": 255,  # none: nobody's official observation
        "dataCategory": 2,  # vertical soundings, not from a satellite
        "internationalDataSubCategory": _MOBILE[template],
        "dataSubCategory": 255,
        "observedData": 1,
        "compressedData": 0,
        **_moment(start.time_s, "typical{}", str.title),
    }


def _body(template: int, start: Start) -> dict[str, int | float | str]:
    ground = start.altitude_m
    return {
        "shipOrMobileLandStationIdentifier": start.identifier,
        "timeSignificance": _LAUNCH_TIME,
        **_moment(start.time_s, "{}", str),
        "latitude": start.latitude_deg,
        "longitude": start.longitude_deg,
        **({} if ground is None else {"heightOfStationGroundAboveMeanSeaLevel": ground}),
        **({"solarAndInfraredRadiationCorrection": 0} if template == TEMP else {}),  # none made
    }


def _moment(time_s: int, name: str, case: Callable[[str], str]) -> dict[str, int]:
    moment = datetime.fromtimestamp(time_s, UTC)
    parts = ("year", "month", "day", "hour", "minute", "second")
    return {name.format(case(part)): getattr(moment, part) for part in parts}
