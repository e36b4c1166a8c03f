"""Forecast winds: a plain sounding table (CSV), or GRIB2 with the extra `grib`; what they can serve.

The table has a header line and the columns altitude_m, direction_deg (that the wind blows from) and
speed_ms.
"""

from __future__ import annotations

import csv
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from server.geodata.forecast_winds import (
    FEWEST_LEVELS,
    LEAST_ALTITUDE_M,
    MOST_ALTITUDE_M,
    ForecastError,
    GridForecast,
    TableForecast,
    words_of,
)
from server.geodata.grib import read_grib
from server.geodata.wind_values import components

_LEVELS_SHORT_M = 4_000.0  # of the burst: where the wind of the last level no longer stands in
# each column with what its values may be
_COLUMNS = {
    "altitude_m": (LEAST_ALTITUDE_M, MOST_ALTITUDE_M),
    "direction_deg": (0.0, 360.0),
    "speed_ms": (0.0, 150.0),
}


def check(
    forecast: TableForecast | GridForecast,
    place: tuple[float, float],
    time_s: float | None,
    burst_altitude_m: float,
) -> tuple[bool, str]:
    """Whether the forecast can serve a flight from `place` (latitude, longitude), and words for it.

    Without a time the place alone is checked, and the words say so.
    """
    unchecked, run = "", _run_words(forecast, time_s)
    if time_s is None:
        time_s = 0.0  # a table holds always
        if isinstance(forecast, GridForecast):
            time_s = float(forecast.time_s[0])
            unchecked = f"; it is for {forecast.hours}, not checked: the plan has no launch time"
    try:
        heights_m, _, _ = forecast.profile(*place, time_s)
    except ForecastError as error:
        return False, f"forecast: {error}; the flight goes without it"
    top_m, bottom_m = float(heights_m[-1]), float(heights_m[0])
    if top_m < burst_altitude_m - _LEVELS_SHORT_M:
        return False, (
            f"forecast: its levels end at {top_m:,.0f} m, the burst is expected at "
            f"{burst_altitude_m:,.0f} m; above them the wind is taken as at the last{unchecked}"
        )
    levels = f"{len(heights_m)} levels"
    if isinstance(forecast, GridForecast) and len(heights_m) < forecast.height_m.shape[1]:
        levels = f"{len(heights_m)} of {forecast.height_m.shape[1]} levels"
    return True, f"forecast: {levels} from {bottom_m:,.0f} to {top_m:,.0f} m{run}{unchecked}"


def _run_words(forecast: TableForecast | GridForecast, launch_s: float | None) -> str:
    """How old it will be at the launch; a table does not tell."""
    if forecast.run_s is None:
        return ""
    run = f", run of {words_of(forecast.run_s)}"
    if launch_s is None:
        return run
    hours = (launch_s - forecast.run_s) / 3_600.0
    return f"{run}, {abs(hours):.0f} h {'before' if hours >= 0 else 'after'} the launch"


def read_forecast(path: Path) -> TableForecast | GridForecast:
    """A .csv table, or GRIB2. ForecastError says what is wrong with it."""
    if not path.is_file():
        raise ForecastError(f"{path}: no such file")
    try:
        return _read_table(path) if path.suffix.lower() == ".csv" else _read_apart(path)
    except OSError as error:
        raise ForecastError(f"{path}: cannot be read: {error.strerror or error}") from error


def _read_apart(path: Path) -> GridForecast:
    """In a process of its own: on some damaged files ecCodes ends its process instead of failing."""
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as apart:
        try:
            return apart.submit(read_grib, path).result()
        except BrokenProcessPool as error:
            raise ForecastError(f"{path}: so damaged that its decoder broke off") from error


def _read_table(path: Path) -> TableForecast:
    rows: list[list[float]] = []
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.DictReader(file)
            missing = [c for c in _COLUMNS if c not in (reader.fieldnames or ())]
            if missing:
                raise ForecastError(
                    f"{path}: the columns {', '.join(_COLUMNS)} expected; {missing[0]} is missing"
                )
            for row in reader:
                rows.append([float(row[c]) for c in _COLUMNS])
                _check_row(rows[-1], f"{path}: line {reader.line_num}")
    except csv.Error as error:
        raise ForecastError(f"{path}: not a table: {error}") from error
    except (ValueError, TypeError) as error:
        if isinstance(error, ForecastError):
            raise
        raise ForecastError(f"{path}: numbers expected in every row: {error}") from error
    if len(rows) < FEWEST_LEVELS:
        raise ForecastError(f"{path}: {FEWEST_LEVELS} levels or more expected, not {len(rows)}")
    altitude_m, direction_deg, speed_ms = np.array(sorted(rows)).T
    twice = altitude_m[1:][np.diff(altitude_m) == 0]
    if twice.size:
        raise ForecastError(f"{path}: one row for each altitude expected, {twice[0]:g} m has more")
    return TableForecast(altitude_m, *components(direction_deg, speed_ms))


def _check_row(row: list[float], where: str) -> None:
    for (name, (least, most)), value in zip(_COLUMNS.items(), row, strict=True):
        if not least <= value <= most:  # NaN is refused too
            raise ForecastError(f"{where}: {name} of {least:g} to {most:g} expected, not {value:g}")
