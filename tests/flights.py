"""The real flights of tests/data/flights, and small made ones for single points."""

from __future__ import annotations

import atexit
import gzip
import math
import tempfile
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import orjson

from decoders.reports import Wire
from server.flight.inputs import Reception
from server.flight.mission import Mission
from server.journal.recording import inferred_plan, read_recording
from server.journal.text import read_lines

REAL = Path(__file__).parent / "data" / "flights"


@cache
def real_logs() -> tuple[Path, ...]:
    """The logs of the real flights in order of their names, unpacked once a process for its life."""
    folder = tempfile.TemporaryDirectory(prefix="leeward-flights-")
    atexit.register(folder.cleanup)
    for packed in REAL.glob("*.log.gz"):
        Path(folder.name, packed.stem).write_bytes(gzip.decompress(packed.read_bytes()))
    return tuple(sorted(Path(folder.name).glob("*.log")))


@cache
def real_index() -> dict[str, dict[str, Any]]:
    """What is known of each flight by its name: mass, parachute, balloon, lift."""
    entries = orjson.loads((REAL / "index.json").read_bytes())
    return {entry["name"]: entry for entry in entries}


@cache
def receptions(path: Path) -> tuple[Reception, ...]:
    with path.open(encoding="utf-8") as file:
        return tuple(line.reception for line in read_lines(file))


@cache
def flown(path: Path) -> Mission:
    """A real flight replayed to its end. Shared: do not change it."""
    flight = Mission(inferred_plan(read_recording(path)))
    flight.receive(list(receptions(path)))
    return flight


T0 = 1_780_318_800.0  # 2026-06-01T13:00:00Z
LAUNCH = (38.35, -98.20, 560.0)


def altitude_at(elapsed_s: float, burst_s: float = 5_400.0, wait_s: float = 120.0) -> float:
    """A plain made flight: rests, climbs 5 m/s, falls 5 m/s at sea level by an exponential air."""
    if elapsed_s <= wait_s:
        return LAUNCH[2]
    if elapsed_s <= burst_s:
        return LAUNCH[2] + 5.0 * (elapsed_s - wait_s)
    top_m = LAUNCH[2] + 5.0 * (burst_s - wait_s)
    scale_m = 14_000.0  # twice the scale height
    top_speed_ms = 5.0 * math.exp(top_m / scale_m)
    fallen_m = scale_m * math.log(1 + top_speed_ms * (elapsed_s - burst_s) / scale_m)
    return max(top_m - fallen_m, LAUNCH[2])


def position_at(elapsed_s: float, burst_s: float = 5_400.0) -> tuple[float, float, float]:
    """Latitude, longitude, altitude: drifts east at 8 m/s while it is in the air."""
    altitude_m = altitude_at(elapsed_s, burst_s)
    aloft_s = min(max(elapsed_s - 120.0, 0.0), landed_at(burst_s) - 120.0)
    longitude_deg = LAUNCH[1] + 8.0 * aloft_s / (111_320.0 * math.cos(math.radians(LAUNCH[0])))
    return LAUNCH[0], longitude_deg, altitude_m


@cache
def landed_at(burst_s: float) -> float:
    return next(t for t in range(int(burst_s) + 10, 40_000) if altitude_at(t, burst_s) <= LAUNCH[2])


def information(elapsed_s: float, position: tuple[float, float, float]) -> str:
    """An uncompressed APRS position with time, !DAO! and altitude (APRS 1.0.1, ch. 8)."""
    latitude_deg, longitude_deg, altitude_m = position
    clock_s = int(T0 + elapsed_s) % 86_400
    lat_min = abs(latitude_deg) % 1 * 60
    lon_min = abs(longitude_deg) % 1 * 60
    lat_thousandths, lon_thousandths = round(lat_min * 1000), round(lon_min * 1000)
    return (
        f"/{clock_s // 3600:02d}{clock_s // 60 % 60:02d}{clock_s % 60:02d}h"
        f"{int(abs(latitude_deg)):02d}{lat_thousandths // 1000:02d}.{lat_thousandths // 10 % 100:02d}N/"
        f"{int(abs(longitude_deg)):03d}{lon_thousandths // 1000:02d}.{lon_thousandths // 10 % 100:02d}WO"
        f"/A={round(altitude_m / 0.3048):06d}!W{lat_thousandths % 10}{lon_thousandths % 10}!"
    )


def packet(
    elapsed_s: float,
    callsign: str = "N0CALL-11",
    position: tuple[float, float, float] | None = None,
    *,
    lag_s: float = 1.5,
    path: str = "",
    source: str = "internet",
    wire: Wire = "tnc2",
) -> Reception:
    """A reception of that tracker's packet, sent at `elapsed_s` of the made flight."""
    said = information(elapsed_s, position or position_at(elapsed_s))
    line = f"{callsign}>APZLWD{path}:{said}"
    return Reception(round((T0 + elapsed_s + lag_s) * 1000), source, wire, line.encode())


def made_flight(
    until_s: float = 9_000.0, interval_s: float = 30.0, callsign: str = "N0CALL-11"
) -> Iterator[Reception]:
    """Every packet of one tracker."""
    elapsed_s = 0.0
    while elapsed_s <= until_s:
        yield packet(elapsed_s, callsign)
        elapsed_s += interval_s
