"""Forecast winds in memory: one sounding for everywhere, or a grid interpolated in place and time."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

FEWEST_LEVELS = 3
MOST_ALTITUDE_M = 100_000.0  # of a level; no balloon and no model's wind is used so high
LEAST_ALTITUDE_M = (
    -1_000.0
)  # the surface of 1000 hPa lies some hundred metres below the sea in a deep low
_MARGIN_S = 3 * 3_600.0  # a forecast is used this long before its first and after its last time
_EDGE_DEG = 1e-6  # what GRIB2 counts degrees in: a place on the edge is not outside by its rounding


class ForecastError(ValueError):
    """A forecast that cannot be used here; the message says what was expected and what came."""


@dataclass(frozen=True)
class TableForecast:
    """One sounding, taken to hold everywhere and always."""

    altitude_m: Array
    east_ms: Array
    north_ms: Array
    run_s: None = None  # a table tells none

    def profile(
        self, _latitude_deg: float, _longitude_deg: float, _time_s: float
    ) -> tuple[Array, Array, Array]:
        """Altitudes (rising), winds towards east and towards north."""
        return self.altitude_m, self.east_ms, self.north_ms

    def spread(
        self, _latitude_deg: float, _longitude_deg: float, _time_s: float
    ) -> tuple[Array, Array] | None:
        """One sounding says nothing of its doubt."""
        return None


@dataclass(frozen=True)
class GridForecast:
    """Shapes: times (t,), latitudes (y,) rising, longitudes (x,) rising, fields (t, level, y, x).

    The first longitude is in -180 to 180 and the others may go on past 180; a grid round the whole
    Earth ends where it began, 360 degrees on. NaN in a field: not known there, as under the ground.
    """

    time_s: Array
    latitude_deg: Array
    longitude_deg: Array
    height_m: Array
    east_ms: Array
    north_ms: Array
    spread_ms: Array | None = None  # of each component among an ensemble's members, 1 sigma
    run_s: float | None = None  # when its last model run began

    @property
    def hours(self) -> str:
        """Its first and last time, in words."""
        return f"{words_of(float(self.time_s[0]))} to {words_of(float(self.time_s[-1]))}"

    def profile(
        self, latitude_deg: float, longitude_deg: float, time_s: float
    ) -> tuple[Array, Array, Array]:
        """The column above a place: altitudes (rising), winds towards east and towards north.

        Levels that are not known there are left out. ForecastError outside the grid, far from its
        times, or where too few levels are left.
        """
        height, east, north = self._column_of(
            (self.height_m, self.east_ms, self.north_ms), latitude_deg, longitude_deg, time_s
        )
        return height, east, north

    def spread(
        self, latitude_deg: float, longitude_deg: float, time_s: float
    ) -> tuple[Array, Array] | None:
        """Altitudes (rising) and 1 sigma of each component among the members; None: no ensemble.

        ForecastError as for `profile`.
        """
        if self.spread_ms is None:
            return None
        height, sigma = self._column_of(
            (self.height_m, self.spread_ms), latitude_deg, longitude_deg, time_s
        )
        return height, sigma

    def _column_of(
        self, fields: tuple[Array, ...], latitude_deg: float, longitude_deg: float, time_s: float
    ) -> Array:
        """Of each field above a place, shape (fields, levels), rising by the first."""
        y = _row(self.latitude_deg, latitude_deg)
        x = _column(self.longitude_deg, longitude_deg)
        first_s, last_s = float(self.time_s[0]), float(self.time_s[-1])
        if not first_s - _MARGIN_S <= time_s <= last_s + _MARGIN_S:
            away_s = max(first_s - time_s, time_s - last_s)
            raise ForecastError(
                f"the forecast is for {self.hours}, {away_s / 3600:.0f} h from {words_of(time_s)}"
            )
        t = float(np.interp(time_s, self.time_s, np.arange(len(self.time_s))))
        column = np.array([_between(field, t, y, x) for field in fields])
        known = column[:, np.isfinite(column).all(axis=0)]
        if known.shape[1] < FEWEST_LEVELS:
            raise ForecastError(
                f"{FEWEST_LEVELS} levels or more expected above the flight, the forecast knows "
                f"{known.shape[1]} of its {column.shape[1]} at {latitude_deg:.2f}, {longitude_deg:.2f}"
            )
        return np.asarray(known[:, np.argsort(known[0])])


def words_of(time_s: float) -> str:
    """A moment for people."""
    return datetime.fromtimestamp(time_s, UTC).strftime("%Y-%m-%d %H:%M UTC")


def _row(grid: Array, latitude_deg: float) -> float:
    if not grid[0] - _EDGE_DEG <= latitude_deg <= grid[-1] + _EDGE_DEG:
        raise ForecastError(
            f"the forecast covers latitude {grid[0]:g} to {grid[-1]:g}, "
            f"the flight is at {latitude_deg:.2f}"
        )
    return float(np.interp(latitude_deg, grid, np.arange(len(grid))))


def _column(grid: Array, longitude_deg: float) -> float:
    """Counted eastward from the first column, so that 180 degrees is a longitude like others."""
    on_deg = (longitude_deg - grid[0] + _EDGE_DEG) % 360.0 - _EDGE_DEG
    if not on_deg <= grid[-1] - grid[0] + _EDGE_DEG:
        last_deg = grid[-1] if grid[-1] <= 180.0 else grid[-1] - 360.0
        raise ForecastError(
            f"the forecast covers longitude {grid[0]:g} to {last_deg:g}, "
            f"the flight is at {longitude_deg:.2f}"
        )
    return float(np.interp(on_deg, grid - grid[0], np.arange(len(grid))))


def _between(grid: Array, t: float, y: float, x: float) -> Array:
    """Linear in time and place, all levels; NaN where one of the values between which it lies is."""
    total = np.zeros(grid.shape[1])
    for ti, tw in _corners(t, grid.shape[0]):
        for yi, yw in _corners(y, grid.shape[2]):
            for xi, xw in _corners(x, grid.shape[3]):
                total += tw * yw * xw * grid[ti, :, yi, xi]
    return total


def _corners(position: float, size: int) -> tuple[tuple[int, float], ...]:
    """Those that count: a neighbour without weight may be missing."""
    low = min(int(position), max(size - 2, 0))
    part = position - low
    both = ((low, 1.0 - part), (min(low + 1, size - 1), part))
    return tuple((index, weight) for index, weight in both if weight > 0.0)
