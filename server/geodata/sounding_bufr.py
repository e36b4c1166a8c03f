"""Radiosondes and pilot balloons in BUFR (WMO FM 94), read by ecCodes (the extra `grib`).

Manual on Codes, WMO-No. 306, volume I.2: messages of upper-air soundings, among them the templates 309052
(TEMP) and 309051 (PILOT). Like GRIB2 they are read in a process of their own.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from datetime import UTC, datetime
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

from server.flight.landing.measured_winds import MeasuredWinds
from server.geodata.wind_values import (
    FASTEST_MS,
    HIGHEST_M,
    LOWEST_M,
    NEAR_S,
    RADIOSONDE_SIGMA_MS,
    WindsError,
    altitude_of,
    components,
)

_MOST_MESSAGES = 10_000
_SOUNDINGS = 2  # vertical soundings other than by satellite, BUFR table A; 0: surface data
# keys, and by what their values are metres; older templates give the geopotential itself, in m²/s²
_HEIGHTS = (
    ("nonCoordinateGeopotentialHeight", 1.0),
    ("geopotentialHeight", 1.0),
    ("height", 1.0),
    ("nonCoordinateGeopotential", 9.80665),
    ("geopotential", 9.80665),
)


def read_bufr(path: Path, about_s: float | None) -> tuple[MeasuredWinds, ...]:
    """Soundings within two days of `about_s`, all without it. WindsError."""
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as apart:
        try:
            return apart.submit(read_messages, path, about_s).result()
        except BrokenProcessPool as error:
            raise WindsError(f"{path}: so damaged that its decoder broke off") from error


def read_messages(path: Path, about_s: float | None) -> tuple[MeasuredWinds, ...]:
    """In this process. WindsError."""
    try:
        import eccodes  # no type information in it
    except (ImportError, RuntimeError) as error:  # the second: without its C library
        needs = f"{path}: BUFR needs the extra 'grib' (pip install 'leeward[grib]')"
        raise WindsError(needs) from error
    found = []
    with path.open("rb") as file:
        for _ in range(_MOST_MESSAGES):
            try:
                message = eccodes.codes_bufr_new_from_file(file)
                if message is None:
                    break
                try:
                    one = _sounding(eccodes, message)
                finally:
                    eccodes.codes_release(message)
            except eccodes.CodesInternalError as error:
                raise WindsError(f"{path}: no message that ecCodes can read: {error}") from error
            near = about_s is None or (
                len(one.time_s) and abs(float(one.time_s[0]) - about_s) <= NEAR_S
            )
            if near and len(one.time_s):
                found.append(one)
    if not found:
        raise WindsError(f"{path}: no sounding with winds within two days of the flight")
    return tuple(found)


def _sounding(eccodes: Any, message: int) -> MeasuredWinds:
    """One message's levels; those without height or wind are left out."""
    eccodes.codes_set(message, "unpack", 1)

    def one(*names: str) -> float | None:
        for name in names:
            values = _values(eccodes, message, name)
            if len(values):
                return float(values[0])
        return None

    moment = [one(key) for key in ("year", "month", "day", "hour", "minute")]
    latitude_deg, longitude_deg = one("latitude"), one("longitude")
    speed_ms, from_deg = (_values(eccodes, message, key) for key in ("windSpeed", "windDirection"))
    height_m = next(
        (
            height / by
            for key, by in _HEIGHTS
            if len(height := _values(eccodes, message, key)) == len(speed_ms)
        ),
        None,
    )
    told = all(value is not None for value in (*moment, latitude_deg, longitude_deg))
    told &= one("dataCategory") == _SOUNDINGS
    if not told or height_m is None or len(from_deg) != len(speed_ms):
        return MeasuredWinds("", *(np.empty(0) for _ in range(7)))
    year, month, day, hour, minute = (int(v or 0) for v in moment)
    try:
        begun_s = datetime(year, month, day, hour, minute, tzinfo=UTC).timestamp()
    except ValueError:
        return MeasuredWinds("", *(np.empty(0) for _ in range(7)))

    def beside(key: str) -> np.ndarray[Any, np.dtype[np.float64]]:
        values = _values(eccodes, message, key)
        return values if len(values) == len(speed_ms) else np.zeros(len(speed_ms))

    altitude_m = altitude_of(height_m)
    east_ms, north_ms = components(from_deg, speed_ms)
    columns = (
        begun_s + beside("timePeriod"),
        (latitude_deg or 0.0) + beside("latitudeDisplacement"),
        (longitude_deg or 0.0) + beside("longitudeDisplacement"),
        altitude_m,
        east_ms,
        north_ms,
        np.full(len(speed_ms), RADIOSONDE_SIGMA_MS),
    )
    sound = np.isfinite(np.stack(columns)).all(axis=0) & (speed_ms <= FASTEST_MS)
    sound &= (altitude_m >= LOWEST_M) & (altitude_m <= HIGHEST_M) & (np.abs(columns[1]) <= 90.0)
    name = f"radiosonde {datetime.fromtimestamp(begun_s, UTC):%d %b %H:%M} UTC"
    return MeasuredWinds(name, *(column[sound] for column in columns))


def _values(eccodes: Any, message: int, key: str) -> np.ndarray[Any, np.dtype[np.float64]]:
    """All values of a key in order; NaN where missing, none where it is not there."""
    try:
        values: Sequence[float] = eccodes.codes_get_array(message, key)
    except eccodes.CodesInternalError:
        return np.empty(0)
    found = np.asarray(values, dtype=np.float64)
    found[np.abs(found) > 1e99] = np.nan  # CODES_MISSING_DOUBLE is -1e100
    return found
