"""GRIB2 of any model (WMO FM 92, Manual on Codes I.2), read with the extra `grib`.

u and v wind and geopotential height (or geopotential) on pressure levels over a regular
latitude-longitude grid, at one or more times, of one run or of the members of an ensemble (their mean is
the forecast, what they differ by its doubt). Points come in the order of flag table 3.4, and are put in
their places here: ecCodes gives values as they were sent, and its own list of places leaves the
alternation of rows out (seen in 2.50).
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from server.geodata.forecast_winds import (
    FEWEST_LEVELS,
    MOST_ALTITUDE_M,
    Array,
    ForecastError,
    GridForecast,
)

_SHORT_NAMES = {"u": "u", "v": "v", "gh": "gh", "z": "gh"}
_GRAVITY_MS2 = 9.80665
_I_NEGATIVE, _J_POSITIVE, _J_CONSECUTIVE, _ALTERNATING = 0x80, 0x40, 0x20, 0x10  # flag table 3.4
_SHIFTED = 0x0F  # bits 5 to 8: rows and columns that begin half a step aside
_MISSING = -1e34  # no wind and no height
# no wind is so strong; what is beyond was no wind, as a number that stands for "missing"
_MOST = {"u": (300.0, "m/s"), "v": (300.0, "m/s"), "gh": (MOST_ALTITUDE_M, "m")}
# what one field may differ by when it comes twice, as height and as geopotential, by its packing
_SAME = {"u": 0.1, "v": 0.1, "gh": 5.0}

# by time, name and level, then by the member of an ensemble (-1: a run of its own): (y, x)
Fields = dict[tuple[float, str, float], dict[int, Array]]
_ALONE = -1
Axes = tuple[Array, Array]  # latitudes and longitudes, both rising


def read_grib(path: Path) -> GridForecast:
    """All that a file holds of wind and height. ForecastError says what is wrong with it."""
    try:
        import eccodes
    except ImportError as error:
        raise ForecastError(
            f"{path}: GRIB2 needs the extra 'grib' (pip install 'leeward[grib]')"
        ) from error
    with path.open("rb") as file:
        eccodes.codes_grib_multi_support_on()  # or the second field of a message, often v, is lost
        try:
            fields, runs_s, axes = _read_fields(eccodes, file, path)
        finally:
            eccodes.codes_grib_multi_support_reset_file(file)
            eccodes.codes_grib_multi_support_off()
    if axes is None:
        raise ForecastError(f"{path}: no field of wind or height on pressure levels in it")
    return replace(_stack(fields, axes, path), run_s=max(runs_s))


def _read_fields(codes: Any, file: BinaryIO, path: Path) -> tuple[Fields, set[float], Axes | None]:
    """With when the model runs began that they are of."""
    fields: Fields = {}
    runs_s: set[float] = set()
    axes: Axes | None = None
    while True:
        try:
            message = codes.codes_grib_new_from_file(file)
        except codes.CodesInternalError as error:
            raise ForecastError(f"{path}: not GRIB2: {error}") from error
        if message is None:
            return fields, runs_s, axes
        try:
            axes = _take(codes, message, fields, runs_s, axes)
        except codes.CodesInternalError as error:
            raise ForecastError(f"{path}: a field cannot be read: {error}") from error
        except ValueError as error:
            raise ForecastError(f"{path}: {error}") from error
        finally:
            codes.codes_release(message)


def _take(
    codes: Any, message: Any, fields: Fields, runs_s: set[float], axes: Axes | None
) -> Axes | None:
    """File one message, if it is one of ours; the axes of all of them. ValueError: not to be used."""
    short = codes.codes_get(message, "shortName")
    name = _SHORT_NAMES.get(short)
    if name is None or codes.codes_get(message, "typeOfLevel") != "isobaricInhPa":
        return axes
    here = _axes(codes, message)
    if axes is not None and not all(np.array_equal(a, b) for a, b in zip(axes, here, strict=True)):
        raise ForecastError("all fields on one grid expected")
    values = _field(codes, message)
    if short == "z":
        values = values / _GRAVITY_MS2
    level = float(codes.codes_get(message, "level"))
    most, unit = _MOST[name]
    strange = values[np.abs(values) > most]  # what is missing is not: NaN compares false
    if strange.size:
        raise ForecastError(
            f"{name} at {level:g} hPa within ±{most:,.0f} {unit} expected, not {strange[0]:g}"
        )
    values = np.concatenate((values, values[:, : len(here[1]) - values.shape[1]]), axis=1)
    key = (_moment_s(codes, message, "validity"), name, level)
    member = _member(codes, message)
    known = fields.setdefault(key, {}).setdefault(member, values)
    if not np.allclose(known, values, rtol=0.0, atol=_SAME[name], equal_nan=True):
        raise ForecastError(
            f"one {name} at {level:g} hPa expected for each time, not two that differ: of two runs?"
        )
    runs_s.add(_moment_s(codes, message, "data"))
    return here


def _member(codes: Any, message: Any) -> int:
    """Number of an ensemble's member (code table 4.11, templates 4.1 and 4.11 of section 4)."""
    if not codes.codes_is_defined(message, "perturbationNumber"):
        return _ALONE
    return int(codes.codes_get(message, "perturbationNumber"))


def _axes(codes: Any, message: Any) -> Axes:
    """Where rows and columns lie. A grid round the Earth gets its first column once more at the end."""
    if codes.codes_get(message, "gridType") != "regular_ll":
        raise ForecastError("a regular latitude-longitude grid expected")
    mode = codes.codes_get(message, "scanningMode")
    if mode & _SHIFTED:
        raise ForecastError("rows and columns that begin at one place expected, not shifted ones")
    ends = [
        codes.codes_get(message, f"{name}Of{end}GridPointInDegrees")
        for name, end in (
            ("latitude", "First"),
            ("latitude", "Last"),
            ("longitude", "First"),
            ("longitude", "Last"),
        )
    ]
    (south, north), (west, east) = ends[:2], ends[2:]
    if not mode & _J_POSITIVE:
        south, north = north, south
    if mode & _I_NEGATIVE:
        west, east = east, west
    columns, rows = codes.codes_get(message, "Ni"), codes.codes_get(message, "Nj")
    sent = codes.codes_get_size(message, "values")
    if sent != rows * columns:
        raise ForecastError(f"{rows} x {columns} values expected, not {sent}")
    wide = (east - west) % 360.0
    if columns > 1 and wide == 0.0:
        wide = 360.0
    _agree(codes, message, "i", "longitude", wide, columns)
    _agree(codes, message, "j", "latitude", north - south, rows)
    first = (west + 180.0) % 360.0 - 180.0
    step = wide / max(columns - 1, 1)
    if columns > 1 and abs(wide + step - 360.0) < 0.01 * step:
        columns, wide = columns + 1, 360.0
    return np.linspace(south, north, rows), np.linspace(first, first + wide, columns)


def _agree(codes: Any, message: Any, axis: str, name: str, wide: float, points: int) -> None:
    """ForecastError where corners, number and step contradict each other, as with a wrong flag."""
    if wide < 0 or points < 1 or (points == 1) != (wide == 0.0):
        raise ForecastError(f"corners of the grid that fit its scanning order expected ({name})")
    if points > 1 and codes.codes_get(message, f"{axis}DirectionIncrementGiven"):
        said = codes.codes_get(message, f"{axis}DirectionIncrementInDegrees")
        step = wide / (points - 1)
        if abs(step - said) > 0.01 * step:
            raise ForecastError(
                f"corners of the grid that fit its step and scanning order expected: {points} points "
                f"of {name} are {step:g} degrees apart, {said:g} by the file"
            )


def _field(codes: Any, message: Any) -> Array:
    """Values (y, x), from the south and from the west; NaN where they are missing."""
    columns, rows = codes.codes_get(message, "Ni"), codes.codes_get(message, "Nj")
    mode = codes.codes_get(message, "scanningMode")
    codes.codes_set(message, "missingValue", _MISSING)
    values = np.array(codes.codes_get_values(message), dtype=np.float64)
    values[values == _MISSING] = np.nan
    lines = values.reshape((columns, rows) if mode & _J_CONSECUTIVE else (rows, columns))
    if mode & _ALTERNATING:
        lines[1::2] = lines[1::2, ::-1].copy()
    field = lines.T if mode & _J_CONSECUTIVE else lines
    return field[:: 1 if mode & _J_POSITIVE else -1, :: -1 if mode & _I_NEGATIVE else 1]


def _moment_s(codes: Any, message: Any, of: str) -> float:
    """When a field is valid ("validity"), or when the run began that it is of ("data")."""
    date, hours = codes.codes_get(message, f"{of}Date"), codes.codes_get(message, f"{of}Time")
    day = np.datetime64(f"{date // 10000:04d}-{date // 100 % 100:02d}-{date % 100:02d}", "s")
    return float(day.astype(np.int64) + (hours // 100) * 3_600 + (hours % 100) * 60)


def _stack(fields: Fields, axes: Axes, path: Path) -> GridForecast:
    times = sorted({time_s for time_s, _, _ in fields})
    levels = [
        level
        for level in sorted({level for _, _, level in fields}, reverse=True)
        if all((t, name, level) in fields for t in times for name in ("u", "v", "gh"))
    ]
    if len(levels) < FEWEST_LEVELS:
        raise ForecastError(
            f"{path}: u, v and geopotential height on {FEWEST_LEVELS} or more common pressure levels "
            f"expected, found {len(levels)}"
        )
    members = {
        frozenset(fields[t, n, lv]) for t in times for lv in levels for n in ("u", "v", "gh")
    }
    if len(members) > 1:
        raise ForecastError(f"{path}: the same members of the ensemble expected in all fields")
    (names,) = (sorted(one) for one in members)
    height, east, north = (
        np.array([[[fields[t, n, lv][m] for m in names] for lv in levels] for t in times])
        for n in ("gh", "u", "v")
    )  # (t, level, member, y, x)
    spread_ms = None
    if len(names) > 1:
        apart = (east.var(axis=2, ddof=1) + north.var(axis=2, ddof=1)) / 2
        spread_ms = np.sqrt(apart)
    height, east, north = (field.mean(axis=2) for field in (height, east, north))
    if np.isfinite(height + east + north).sum(axis=1).max() < FEWEST_LEVELS:
        raise ForecastError(
            f"{path}: values on {FEWEST_LEVELS} or more levels expected, they are missing everywhere"
        )
    return GridForecast(np.array(times), *axes, height, east, north, spread_ms)
