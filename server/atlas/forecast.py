"""Forecast winds: a plain sounding table (CSV), or GRIB2 with the extra `grib`.

The table has a header line and the columns altitude_m, direction_deg (that the wind blows from) and
speed_ms. GRIB2 (WMO FM 92) of any model: u and v wind and geopotential height on pressure levels over a
regular latitude-longitude grid, at one or more times; interpolated in place and time.
"""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

_FEWEST_LEVELS = 3
_MARGIN_S = 3 * 3_600.0  # a forecast is used this long before its first and after its last time
_LEVELS_SHORT_M = 4_000.0  # of the burst: where the wind of the last level no longer stands in
_COLUMNS = ("altitude_m", "direction_deg", "speed_ms")
_SHORT_NAMES = {"u": "u", "v": "v", "gh": "gh", "z": "gh"}
_GRAVITY_MS2 = 9.80665


class ForecastError(ValueError):
    """A forecast that cannot be used here; the message says what was expected and what came."""


@dataclass(frozen=True)
class TableForecast:
    """One sounding, taken to hold everywhere and always."""

    altitude_m: Array
    east_ms: Array
    north_ms: Array

    def profile(
        self, _latitude_deg: float, _longitude_deg: float, _time_s: float
    ) -> tuple[Array, Array, Array]:
        """Altitudes (rising), winds towards east and towards north."""
        return self.altitude_m, self.east_ms, self.north_ms


@dataclass(frozen=True)
class GridForecast:
    """Shapes: times (t,), latitudes (y,) rising, longitudes (x,) rising, fields (t, level, y, x)."""

    time_s: Array
    latitude_deg: Array
    longitude_deg: Array
    height_m: Array
    east_ms: Array
    north_ms: Array

    def profile(
        self, latitude_deg: float, longitude_deg: float, time_s: float
    ) -> tuple[Array, Array, Array]:
        """The column above a place. ForecastError outside the grid or far from its times."""
        y = _place(self.latitude_deg, latitude_deg, "latitude")
        x = _place(self.longitude_deg, _wrapped(longitude_deg, self.longitude_deg), "longitude")
        first_s, last_s = float(self.time_s[0]), float(self.time_s[-1])
        if not first_s - _MARGIN_S <= time_s <= last_s + _MARGIN_S:
            away_s = max(first_s - time_s, time_s - last_s)
            raise ForecastError(
                f"the forecast is for {_moment(first_s)} to {_moment(last_s)}, "
                f"{away_s / 3600:.0f} h from {_moment(time_s)}"
            )
        t = float(np.interp(time_s, self.time_s, np.arange(len(self.time_s))))
        height, east, north = (
            _between(f, t, y, x) for f in (self.height_m, self.east_ms, self.north_ms)
        )
        order = np.argsort(height)
        return height[order], east[order], north[order]


def check(
    forecast: TableForecast | GridForecast,
    place: tuple[float, float],
    time_s: float,
    burst_altitude_m: float,
) -> tuple[bool, str]:
    """Whether the forecast can serve a flight from `place` (latitude, longitude), and words for it."""
    try:
        heights_m, _, _ = forecast.profile(*place, time_s)
    except ForecastError as error:
        return False, f"forecast: {error}; the flight goes without it"
    top_m, bottom_m = float(heights_m[-1]), float(heights_m[0])
    if top_m < burst_altitude_m - _LEVELS_SHORT_M:
        return False, (
            f"forecast: its levels end at {top_m:,.0f} m, the burst is expected at "
            f"{burst_altitude_m:,.0f} m; above them the wind is taken as at the last"
        )
    return True, f"forecast: {len(heights_m)} levels from {bottom_m:,.0f} to {top_m:,.0f} m"


def _moment(time_s: float) -> str:
    return datetime.fromtimestamp(time_s, UTC).strftime("%Y-%m-%d %H:%M UTC")


def _wrapped(longitude_deg: float, grid: Array) -> float:
    return (
        longitude_deg + 360.0
        if longitude_deg < grid[0] and longitude_deg + 360.0 <= grid[-1]
        else longitude_deg
    )


def _place(grid: Array, value: float, name: str) -> float:
    if not grid[0] <= value <= grid[-1]:
        raise ForecastError(
            f"the forecast covers {name} {grid[0]:g} to {grid[-1]:g}, the flight is at {value:.2f}"
        )
    return float(np.interp(value, grid, np.arange(len(grid))))


def _between(grid: Array, t: float, y: float, x: float) -> Array:
    """Linear in time and place, all levels."""
    total = np.zeros(grid.shape[1])
    for ti, tw in _corners(t, grid.shape[0]):
        for yi, yw in _corners(y, grid.shape[2]):
            for xi, xw in _corners(x, grid.shape[3]):
                total += tw * yw * xw * grid[ti, :, yi, xi]
    return total


def _corners(position: float, size: int) -> tuple[tuple[int, float], ...]:
    low = min(int(position), max(size - 2, 0))
    part = position - low
    return ((low, 1.0 - part), (min(low + 1, size - 1), part))


def read_forecast(path: Path) -> TableForecast | GridForecast:
    """A .csv table, or GRIB2. ForecastError says what is wrong with it."""
    if not path.is_file():
        raise ForecastError(f"{path}: no such file")
    return _read_table(path) if path.suffix.lower() == ".csv" else _read_grib(path)


def _read_table(path: Path) -> TableForecast:
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.DictReader(file)
            missing = [c for c in _COLUMNS if c not in (reader.fieldnames or ())]
            if missing:
                raise ForecastError(
                    f"{path}: the columns {', '.join(_COLUMNS)} expected; {missing[0]} is missing"
                )
            rows = [[float(row[c]) for c in _COLUMNS] for row in reader]
    except (ValueError, TypeError, UnicodeDecodeError) as error:
        if isinstance(error, ForecastError):
            raise
        raise ForecastError(f"{path}: numbers expected in every row: {error}") from error
    table = np.array(sorted(rows))
    if len(table) < _FEWEST_LEVELS:
        raise ForecastError(f"{path}: {_FEWEST_LEVELS} levels or more expected, not {len(table)}")
    altitude_m, direction_deg, speed_ms = table.T
    if not np.isfinite(table).all() or (speed_ms < 0).any() or (speed_ms > 150).any():
        raise ForecastError(f"{path}: speeds of 0 to 150 m/s expected")
    towards = np.radians(direction_deg + 180.0)
    return TableForecast(altitude_m, speed_ms * np.sin(towards), speed_ms * np.cos(towards))


def _read_grib(path: Path) -> GridForecast:
    try:
        import eccodes
    except ImportError as error:
        raise ForecastError(
            f"{path}: GRIB2 needs the extra 'grib' (pip install 'leeward[grib]')"
        ) from error
    fields: dict[tuple[float, str, float], Array] = {}
    grid: tuple[Array, Array] | None = None
    with path.open("rb") as file:
        while True:
            try:
                message = eccodes.codes_grib_new_from_file(file)
            except eccodes.CodesInternalError as error:
                raise ForecastError(f"{path}: not GRIB2: {error}") from error
            if message is None:
                break
            try:
                grid = _take(eccodes, message, fields, grid, path)
            finally:
                eccodes.codes_release(message)
    if grid is None:
        raise ForecastError(f"{path}: no field of wind or height on pressure levels in it")
    return _stack(fields, grid, path)


def _take(codes: Any, message: Any, fields: dict[tuple[float, str, float], Array],
          grid: tuple[Array, Array] | None, path: Path) -> tuple[Array, Array] | None:  # fmt: skip
    """File one message, if it is one of ours; the grid of all of them."""
    name = _SHORT_NAMES.get(codes.codes_get(message, "shortName"))
    if name is None or codes.codes_get(message, "typeOfLevel") != "isobaricInhPa":
        return grid
    if codes.codes_get(message, "gridType") != "regular_ll":
        raise ForecastError(f"{path}: a regular latitude-longitude grid expected")
    columns, rows = codes.codes_get(message, "Ni"), codes.codes_get(message, "Nj")
    latitudes = codes.codes_get_array(message, "distinctLatitudes")
    longitudes = codes.codes_get_array(message, "distinctLongitudes")
    longitudes = np.where(longitudes > 180.0, longitudes - 360.0, longitudes)
    values = codes.codes_get_values(message).reshape(rows, columns)
    if codes.codes_get(message, "jScansPositively") == 0:
        values = values[::-1]
    order_y, order_x = np.argsort(latitudes), np.argsort(longitudes)
    values = values[:, order_x]
    if codes.codes_get(message, "shortName") == "z":
        values = values / _GRAVITY_MS2
    here = (latitudes[order_y], longitudes[order_x])
    if grid is not None and not all(np.array_equal(a, b) for a, b in zip(grid, here, strict=True)):
        raise ForecastError(f"{path}: all fields on one grid expected")
    date, hours = codes.codes_get(message, "validityDate"), codes.codes_get(message, "validityTime")
    when = np.datetime64(f"{date // 10000:04d}-{date // 100 % 100:02d}-{date % 100:02d}", "s")
    time_s = float(when.astype(np.int64)) + (hours // 100) * 3_600.0 + (hours % 100) * 60.0
    fields[time_s, name, float(codes.codes_get(message, "level"))] = values
    return here


def _stack(
    fields: dict[tuple[float, str, float], Array], grid: tuple[Array, Array], path: Path
) -> GridForecast:
    times = sorted({time_s for time_s, _, _ in fields})
    levels = [
        level
        for level in sorted({level for _, _, level in fields}, reverse=True)
        if all((t, name, level) in fields for t in times for name in ("u", "v", "gh"))
    ]
    if len(levels) < _FEWEST_LEVELS:
        raise ForecastError(
            f"{path}: u, v and geopotential height on {_FEWEST_LEVELS} or more common pressure levels "
            f"expected, found {len(levels)}"
        )
    stacked = [
        np.array([[fields[t, name, level] for level in levels] for t in times])
        for name in ("gh", "u", "v")
    ]
    if not all(math.isfinite(float(part.sum())) for part in stacked):
        raise ForecastError(f"{path}: a field has values that are missing")
    return GridForecast(np.array(times), grid[0], grid[1], *stacked)
