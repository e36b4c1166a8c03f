"""Forecast winds and heights of an area, cut out by the weather service's own filter for GRIB2 files.

The query is that of the filter of NOAA's operational model archive (its page for scripts: `dir`, `file`,
one `lev_...` and one `var_...` a field, `subregion` with `leftlon`, `rightlon`, `toplat`, `bottomlat`);
its messages follow one another, as GRIB2 allows (WMO FM 92, section 0 and 8).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import urlencode

from server.outlook.pack.part_file import forget, room_for
from server.outlook.pack.transfer import NotThere, Progress, Transfer, TransferError

RUN_EVERY_S = 6 * 3_600.0
READY_AFTER_S = 4 * 3_600.0  # a run is on the server about so long after its hour
RUNS_BACK = 5
HOURLY_TO_H = 120  # by the hour so far, then every third
LAST_H = 384
LEVELS_HPA = (
    1000, 975, 950, 925, 900, 850, 800, 750, 700, 650, 600, 550, 500, 450, 400, 350, 300, 250, 200,
    150, 100, 70, 50, 40, 30, 20, 15, 10, 7, 5, 3, 2, 1,
)  # fmt: skip
FIELDS = ("HGT", "UGRD", "VGRD")
MOST_BYTES = 200_000_000
_STEP_DEG = 0.25
_BYTES_A_VALUE = 1.6  # as the service packs them; measured on its file of 2.5 degrees
_END = b"7777"

Bounds = tuple[float, float, float, float]  # west, south, east, north


@dataclass(frozen=True)
class Wanted:
    """One file of a run: the run's time and the forecast hour."""

    run_s: float
    hour: int


def wanted_hours(run_s: float, first_s: float, last_s: float) -> list[Wanted]:
    """The hours of a run between which the flight lies. Empty where the run does not reach."""
    found = []
    for hour in [*range(HOURLY_TO_H), *range(HOURLY_TO_H, LAST_H + 1, 3)]:
        step_s = 3_600.0 * (1 if hour < HOURLY_TO_H else 3)
        if first_s - step_s < run_s + 3_600.0 * hour < last_s + step_s:
            found.append(Wanted(run_s, hour))
    enough = bool(found) and run_s + 3_600.0 * found[-1].hour >= last_s
    return found if enough else []


def runs(now_s: float) -> list[float]:
    """The runs that may be on the server, the latest first."""
    latest = (now_s - READY_AFTER_S) // RUN_EVERY_S * RUN_EVERY_S
    return [latest - RUN_EVERY_S * back for back in range(RUNS_BACK)]


def query(address: str, wanted: Wanted, bounds: Bounds) -> str:
    """The request for one file, cut to an area that is a little wider than asked for."""
    run = datetime.fromtimestamp(wanted.run_s, UTC)
    west, south, east, north = bounds
    asked: dict[str, str] = {
        "dir": f"/gfs.{run:%Y%m%d}/{run:%H}/atmos",
        "file": f"gfs.t{run:%H}z.pgrb2.0p25.f{wanted.hour:03d}",
    }
    asked |= {f"var_{name}": "on" for name in FIELDS}
    asked |= {f"lev_{level}_mb": "on" for level in LEVELS_HPA}
    left = math.floor(west / _STEP_DEG) * _STEP_DEG
    right = math.ceil(east / _STEP_DEG) * _STEP_DEG
    if right - left >= 360.0:
        left, right = 0.0, 360.0
    asked |= {
        "subregion": "",
        "toplat": f"{min(math.ceil(north / _STEP_DEG) * _STEP_DEG, 90.0):g}",
        "leftlon": f"{left:g}",
        "rightlon": f"{right:g}",
        "bottomlat": f"{max(math.floor(south / _STEP_DEG) * _STEP_DEG, -90.0):g}",
    }
    return f"{address}?{urlencode(asked)}"


def about_bytes(bounds: Bounds, hours: int) -> int:
    """What so many hours will weigh, about."""
    west, south, east, north = bounds
    points = ((east - west) / _STEP_DEG + 2) * ((north - south) / _STEP_DEG + 2)
    fields = len(FIELDS) * len(LEVELS_HPA) * hours
    return int(fields * (points * _BYTES_A_VALUE + 200))


def newest_run(
    transfer: Transfer,
    address: str,
    now_s: float,
    window_s: tuple[float, float],
    bounds: Bounds,
    folder: Path,
    progress: Progress,
) -> list[Wanted]:
    """Hours of the latest run whose last hour is there. TransferError when no run serves.

    The last hour comes last: where it is there, the run is whole.
    """
    reason: TransferError | None = None
    for run_s in runs(now_s):
        hours = wanted_hours(run_s, *window_s)
        if not hours:
            continue
        try:
            fetch_hour(transfer, address, hours[-1], bounds, folder, progress)
        except TransferError as error:
            reason = error
            if not isinstance(error, (NotThere, NoFields)):
                raise
            continue
        return hours
    if reason is None:
        raise TransferError(
            f"{address}: a forecast reaches {LAST_H // 24} days ahead, the flight is beyond or past"
        )
    raise reason


class NoFields(TransferError):
    """What came are no GRIB2 messages."""


def fetch_hour(
    transfer: Transfer,
    address: str,
    wanted: Wanted,
    bounds: Bounds,
    folder: Path,
    progress: Progress,
) -> Path:
    """One hour's file in `folder`, whole or not at all. TransferError, NoFields, NoRoom."""
    url = query(address, wanted, bounds)
    run = datetime.fromtimestamp(wanted.run_s, UTC)
    into = folder / f"{run:%Y%m%d%H}-{wanted.hour:03d}.grib2"
    if into.is_file() and _said(into) == url:
        return into
    part = into.with_suffix(".part")
    transfer.whole(url, part, MOST_BYTES, progress)
    try:
        check_messages(part.read_bytes())
    except ValueError as error:
        forget(part)
        raise NoFields(f"{address}: GRIB2 messages expected: {error}") from error
    with room_for(into):
        into.with_suffix(".url").write_text(url, encoding="utf-8")
    part.replace(into)
    forget(part)
    return into


def _said(path: Path) -> str:
    try:
        return path.with_suffix(".url").read_text(encoding="utf-8")
    except OSError:
        return ""


def join_hours(parts: Sequence[Path], into: Path) -> None:
    """One file of all hours, which appears whole or not at all. NoRoom."""
    fresh = into.with_name(into.name + ".new")
    with room_for(fresh), fresh.open("wb") as file:
        for part in parts:
            file.write(part.read_bytes())
    fresh.replace(into)


def check_messages(data: bytes) -> int:
    """How many GRIB2 messages follow one another, each as long as it says. ValueError otherwise."""
    at = count = 0
    while at < len(data):
        if data[at : at + 4] != b"GRIB":
            raise ValueError(f"message {count + 1} begins with {data[at : at + 40]!r}")
        if data[at + 7 : at + 8] != b"\x02":
            raise ValueError(f"message {count + 1} is not of edition 2")
        length = int.from_bytes(data[at + 8 : at + 16], "big")
        if length < 20 or data[at + length - 4 : at + length] != _END:
            raise ValueError(f"message {count + 1} is cut short")
        at, count = at + length, count + 1
    if not count:
        raise ValueError("nothing came")
    return count
