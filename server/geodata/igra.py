"""Radiosondes of the Integrated Global Radiosonde Archive, version 2, as text.

Columns by NOAA NCEI's igra2-data-format.txt: a header record begins with #, and n data records follow.
Pressure in Pa, geopotential height in m, wind in degrees and tenths of m/s; -9999 and -8888 are missing.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import islice
from pathlib import Path
from typing import TextIO

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

_MOST_LEVELS = 20_000
_RISES_MS = 5.0  # where no time since the release is told; common practice, no source
_MISSING = (-9999, -8888)


def read_igra(path: Path, about_s: float | None) -> tuple[MeasuredWinds, ...]:
    """Soundings within two days of `about_s`; without it the last one of the file. WindsError."""
    near: list[MeasuredWinds] = []
    last: MeasuredWinds | None = None
    with path.open(encoding="ascii", errors="strict") as file:
        for found in _soundings(file, path, about_s):
            if about_s is None:
                last = found
            else:
                near.append(found)
    if about_s is None:
        near = [] if last is None else [last]
    if not near:
        raise WindsError(f"{path}: no sounding with winds within two days of the flight")
    return tuple(near)


def _soundings(file: TextIO, path: Path, about_s: float | None) -> Iterator[MeasuredWinds]:
    number = 0
    for line in file:
        number += 1
        if not line.startswith("#"):
            raise WindsError(f"{path}: line {number}: a header record with # expected (IGRA 2)")
        try:
            station = line[1:12].strip()
            begun_s, levels = _begun_s(line), int(line[32:36])
            latitude_deg, longitude_deg = int(line[55:62]) / 1e4, int(line[63:71]) / 1e4
        except (ValueError, OverflowError) as error:
            raise WindsError(f"{path}: line {number}: no header of IGRA 2: {error}") from error
        if not 0 < levels <= _MOST_LEVELS:
            raise WindsError(f"{path}: line {number}: {levels} levels cannot be")
        records = list(islice(file, levels))
        if len(records) < levels:
            raise WindsError(f"{path}: it ends within the sounding of line {number}")
        wanted = about_s is None or abs(begun_s - about_s) <= NEAR_S
        placed = abs(latitude_deg) <= 90.0 and abs(longitude_deg) <= 180.0
        if wanted and placed:
            name = f"{station} {datetime.fromtimestamp(begun_s, UTC):%d %b %H:%M} UTC"
            try:
                found = _levels(name, begun_s, latitude_deg, longitude_deg, records)
            except ValueError as error:
                raise WindsError(f"{path}: in the sounding of line {number}: {error}") from error
            if len(found.time_s):
                yield found
        number += levels


def _begun_s(line: str) -> float:
    """The release where it is told, otherwise the nominal hour."""
    year, month, day = int(line[13:17]), int(line[18:20]), int(line[21:23])
    hour, released = int(line[24:26]), int(line[27:31])
    nominal = datetime(year, month, day, 0 if hour == 99 else hour, tzinfo=UTC)
    if released // 100 == 99 or released % 100 == 99:
        return nominal.timestamp()
    moment = nominal.replace(hour=released // 100, minute=released % 100)
    apart = moment - nominal  # a sounding of 00 UTC is let go in the evening before
    if apart > timedelta(hours=12):
        moment -= timedelta(days=1)
    return moment.timestamp()


def _levels(
    name: str, begun_s: float, latitude_deg: float, longitude_deg: float, records: list[str]
) -> MeasuredWinds:
    pressure: list[float] = []
    height: list[float] = []
    wind: list[tuple[int | None, float | None, int, float, int | None]] = []
    for record in records:
        pressure_pa: int | None = _number(record[9:15])
        height_m: float | None = _number(record[16:21])
        direction_deg, tenths = _number(record[40:45]), _number(record[46:51])
        elapsed = _number(record[3:8])
        if pressure_pa is not None and pressure_pa > 0 and height_m is not None:
            pressure.append(math.log(pressure_pa))
            height.append(height_m)
        if direction_deg is not None and tenths is not None:
            wind.append((pressure_pa, height_m, direction_deg, tenths / 10.0, elapsed))
    order = np.argsort(pressure)
    log_pa, known_m = np.array(pressure)[order], np.array(height)[order]
    rows = []
    for at_pa, stated_m, direction, speed_ms, elapsed_mmss in wind:
        height_m = stated_m
        if height_m is None and at_pa and len(log_pa) > 1:
            at = math.log(at_pa)
            height_m = float(np.interp(at, log_pa, known_m, math.nan, math.nan))
        if height_m is None or not (LOWEST_M <= height_m <= HIGHEST_M):
            continue
        if not (0 <= direction <= 360 and 0 <= speed_ms <= FASTEST_MS):
            continue
        told_s = -1.0 if elapsed_mmss is None else 60.0 * (elapsed_mmss // 100) + elapsed_mmss % 100
        rows.append((height_m, float(direction), speed_ms, told_s))
    table = np.array(rows, dtype=np.float64).reshape(-1, 4)
    altitude_m = altitude_of(table[:, 0])
    east_ms, north_ms = components(table[:, 1], table[:, 2])
    lowest_m = altitude_m.min() if len(altitude_m) else 0.0
    since_s = np.where(table[:, 3] < 0.0, (altitude_m - lowest_m) / _RISES_MS, table[:, 3])
    same = np.full(len(table), 1.0)
    # its drift is not told: the place is the station's, and the field takes that for what it is
    return MeasuredWinds(
        name,
        begun_s + since_s,
        latitude_deg * same,
        longitude_deg * same,
        altitude_m,
        east_ms,
        north_ms,
        RADIOSONDE_SIGMA_MS * same,
    )


def _number(text: str) -> int | None:
    value = int(text)
    return None if value in _MISSING else value
