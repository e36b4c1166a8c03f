"""GRIB2 files made for tests: what stands in them is said point by point, sent in any scanning order."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

from server.geodata.grib import read_grib
from tests.flights import T0
from tests.geodata.extras import require_module

LEVELS_HPA = (1000, 850, 700, 500, 300, 200, 100, 50, 20, 10)
HEIGHTS_M = (110, 1_460, 3_010, 5_570, 9_160, 11_780, 16_180, 20_580, 26_480, 31_050)
# up and down, so that neither a level put in another's place nor a mean passes for the right one
EAST_MS = (3.0, -7.0, 12.0, 5.0, 31.0, 48.0, 22.0, -9.0, 14.0, 27.0)
NORTH_MS = (-4.0, 6.0, -1.0, 17.0, -12.0, 8.0, 0.0, 11.0, -20.0, 2.0)
LATITUDES_DEG = tuple(37.0 + 0.5 * row for row in range(7))
LONGITUDES_DEG = tuple(-100.0 + 0.5 * column for column in range(9))
MISSING = 9_999.0  # what ecCodes takes for it unless it is told another


class Point(NamedTuple):
    """Where a value stands: the level is an index of LEVELS_HPA, the hour is of the day."""

    level: int
    latitude_deg: float
    longitude_deg: float
    hour: int


Value = Callable[[Point], float | None]  # None: missing, sent by a bitmap


def wind(east_ms: Value, north_ms: Value) -> dict[str, Value]:
    """The fields of a file: this wind on levels that are flat."""
    return {"u": east_ms, "v": north_ms, "gh": lambda at: HEIGHTS_M[at.level]}


BY_LEVEL = wind(lambda at: EAST_MS[at.level], lambda at: NORTH_MS[at.level])


def scanned(
    latitudes: Sequence[float], longitudes: Sequence[float], mode: int
) -> list[tuple[float, float]]:
    """Places in the order of GRIB2's flag table 3.4; both rising as they are given.

    Bit 1: along i towards the west; 2: along j towards the north; 3: points along j follow each other;
    4: every second line runs the other way.
    """
    columns = list(longitudes)[::-1] if mode & 0x80 else list(longitudes)
    rows = list(latitudes) if mode & 0x40 else list(latitudes)[::-1]
    if mode & 0x20:
        lines = [[(row, column) for row in rows] for column in columns]
    else:
        lines = [[(row, column) for column in columns] for row in rows]
    turned = [
        line[::-1] if mode & 0x10 and number % 2 else line for number, line in enumerate(lines)
    ]
    return [place for line in turned for place in line]


def write_grib(
    path: Path,
    fields: dict[str, Value] = BY_LEVEL,
    *,
    latitudes: Sequence[float] = LATITUDES_DEG,
    longitudes: Sequence[float] = LONGITUDES_DEG,
    mode: int = 0,
    first: int = 0,
    levels: int = 10,
    hours: Sequence[int] = (12, 18),
    **others: float | str,
) -> Path:
    """Fields at hours of the made flights' day, on the levels from `first` to before `levels`.

    `others`: further keys of each message, set last.
    """
    eccodes = require_module("eccodes", "grib")
    places = scanned(latitudes, longitudes, mode)
    settings = {
        "dataDate": int(datetime.fromtimestamp(T0, UTC).strftime("%Y%m%d")),
        "Ni": len(longitudes),
        "Nj": len(latitudes),
        "scanningMode": mode,
        "latitudeOfFirstGridPointInDegrees": places[0][0],
        "latitudeOfLastGridPointInDegrees": latitudes[0 if places[0][0] == latitudes[-1] else -1],
        "longitudeOfFirstGridPointInDegrees": places[0][1] % 360,
        "longitudeOfLastGridPointInDegrees": longitudes[0 if places[0][1] == longitudes[-1] else -1]
        % 360,
        "iDirectionIncrementInDegrees": longitudes[1] - longitudes[0],
        "jDirectionIncrementInDegrees": latitudes[1] - latitudes[0],
    }
    with path.open("wb") as file:
        for hour in hours:
            for level in range(first, levels):
                for name, value in fields.items():
                    message = eccodes.codes_grib_new_from_samples("regular_ll_pl_grib2")
                    keys = {
                        **settings,
                        "dataTime": hour * 100,
                        "shortName": name,
                        "level": LEVELS_HPA[level],
                        **others,
                    }
                    for key, setting in keys.items():
                        eccodes.codes_set(message, key, setting)
                    values = [value(Point(level, *place, hour)) for place in places]
                    if None in values:
                        eccodes.codes_set(message, "bitmapPresent", 1)
                        eccodes.codes_set(message, "missingValue", MISSING)
                    eccodes.codes_set_values(
                        message, [MISSING if one is None else float(one) for one in values]
                    )
                    eccodes.codes_write(message, file)
                    eccodes.codes_release(message)
    return path


NOON_S = T0 - 3_600.0  # the first time of the files
PACKED_MS = 0.01  # half of what a value may lose when it is packed into 16 bits


def column(
    path: Path, latitude_deg: float, longitude_deg: float, time_s: float = NOON_S
) -> list[Any]:
    """Height, east and north as three lists."""
    return [part.tolist() for part in read_grib(path).profile(latitude_deg, longitude_deg, time_s)]
