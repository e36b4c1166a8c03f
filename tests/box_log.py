"""What a box wrote down once a second, turned into what a station hears of its trackers.

The logs come from `../shared/data/onboard` (real, pad included) or are made; every n-th row makes a
tracker of that interval, as APRS text or as NMEA sentences.
"""

from __future__ import annotations

import csv
import gzip
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from decoders.nmea import sentence
from server.flight.inputs import FlightPlan, LaunchPlan, Plan, Reception, TrackerPlan

Array = npt.NDArray[np.float64]

ONBOARD = Path(__file__).parent.parent.parent / "shared" / "data" / "onboard"
needs_box_logs = pytest.mark.skipif(
    not ONBOARD.is_dir(),
    reason="the boxes' own logs (../shared/data/onboard) are not here, and have no licence to be carried",
)
CALLSIGNS = ("N0CALL-11", "N0CALL-12", "N0CALL-13")
LAG_S = 1.6  # from the fix to its hearing
_OFF_THE_GROUND_M = 12.0
_FOOT_M = 0.3048


@dataclass(frozen=True, slots=True, eq=False)
class BoxLog:
    """Rows of one box in order of time, columns of one shape (n,)."""

    name: str
    time_s: Array
    latitude_deg: Array
    longitude_deg: Array
    altitude_m: Array
    launch_s: float | None  # the truth; None where it never flies
    burst_s: float | None
    landing_s: float | None

    @property
    def burst_altitude_m(self) -> float:
        return float(self.altitude_m.max())


@cache
def box_logs() -> tuple[BoxLog, ...]:
    """The real ones; none where they are absent."""
    return tuple(_read(path) for path in sorted(ONBOARD.glob("*.csv.gz")))


def _read(path: Path) -> BoxLog:
    with gzip.open(path, "rt") as file:
        rows = list(csv.DictReader(file))
    columns = [
        np.array([float(row[key]) for row in rows])
        for key in ("latitude_deg", "longitude_deg", "altitude_m")
    ]
    time_s = np.array([datetime.fromisoformat(row["time_utc"]).timestamp() for row in rows])
    altitude_m = columns[2]
    top = last_low = int(altitude_m.argmax())
    pad_m, rest_m = float(np.median(altitude_m[:300])), float(np.median(altitude_m[-300:]))
    while altitude_m[last_low] > pad_m + _OFF_THE_GROUND_M:
        last_low -= 1
    down = len(time_s) - 1
    while altitude_m[down] < rest_m + _OFF_THE_GROUND_M:
        down -= 1
    name = path.name.removesuffix(".csv.gz")
    return BoxLog(
        name,
        time_s,
        columns[0],
        columns[1],
        columns[2],
        launch_s=time_s[last_low],
        burst_s=time_s[top],
        landing_s=time_s[down],
    )


def heard(
    log: BoxLog,
    interval_s: float,
    *,
    trackers: int = 1,
    nmea: bool = False,
    names: tuple[str, ...] = CALLSIGNS,
) -> list[Reception]:
    """All that is heard of `trackers` on the box, in order of hearing; each sends in its turn."""
    receptions = []
    for k in range(trackers):
        next_s = log.time_s[0] + k * interval_s / trackers
        for i, time_s in enumerate(log.time_s):
            if time_s < next_s:
                continue
            while next_s <= time_s:
                next_s += interval_s
            place = float(log.latitude_deg[i]), float(log.longitude_deg[i])
            heard_at_ms = round(1_000 * (float(time_s) + LAG_S))
            if nmea:
                source = f"modem-{k + 1}"
                for line in nmea_lines(float(time_s), *place, float(log.altitude_m[i])):
                    receptions.append(Reception(heard_at_ms, source, "nmea", line))
            else:
                said = aprs_text(float(time_s), *place, float(log.altitude_m[i]))
                payload = f"{names[k]}>APZLWD:{said}".encode()
                receptions.append(Reception(heard_at_ms, "tnc", "tnc2", payload))
    return sorted(receptions)


def aprs_text(time_s: float, latitude_deg: float, longitude_deg: float, altitude_m: float) -> str:
    """An uncompressed position with time, altitude and !DAO! (APRS 1.0.1 ch. 6, 8; 1.2 for DAO)."""
    lat, lat_digit = _minutes(abs(latitude_deg), 2)
    lon, lon_digit = _minutes(abs(longitude_deg), 3)
    clock = datetime.fromtimestamp(time_s, UTC)
    return (
        f"/{clock:%H%M%S}h{lat}{'N' if latitude_deg >= 0 else 'S'}/"
        f"{lon}{'E' if longitude_deg >= 0 else 'W'}O"
        f"/A={round(altitude_m / _FOOT_M):06d}!W{lat_digit}{lon_digit}!"
    )


def _minutes(degrees: float, width: int) -> tuple[str, int]:
    """Degrees and minutes to hundredths, and the digit of thousandths."""
    thousandths = int(degrees * 60_000)
    whole, rest = divmod(thousandths, 60_000)
    return f"{whole:0{width}d}{rest // 1000:02d}.{rest // 10 % 100:02d}", rest % 10


def nmea_lines(
    time_s: float, latitude_deg: float, longitude_deg: float, altitude_m: float
) -> list[bytes]:
    """GGA with eight satellites (NMEA 0183)."""
    clock = datetime.fromtimestamp(time_s, UTC)
    lat, lon = abs(latitude_deg), abs(longitude_deg)
    content = (
        f"GPGGA,{clock:%H%M%S.00},{int(lat):02d}{lat % 1 * 60:08.5f},"
        f"{'N' if latitude_deg >= 0 else 'S'},{int(lon):03d}{lon % 1 * 60:08.5f},"
        f"{'E' if longitude_deg >= 0 else 'W'},1,08,1.0,{altitude_m:.1f},M,0.0,M,,"
    )
    return [sentence(content)]


def plan_for(log: BoxLog, trackers: int = 1, *, nmea: bool = False) -> Plan:
    """As a crew would write it: the launch place, and its trackers."""
    launch = float(np.median(log.latitude_deg[:300])), float(np.median(log.longitude_deg[:300]))
    return Plan(
        flights=(
            FlightPlan(
                name=log.name,
                launch=LaunchPlan(*launch, float(np.median(log.altitude_m[:300])), log.launch_s),
                trackers=tuple(
                    TrackerPlan(f"T{k + 1}", source=f"modem-{k + 1}")
                    if nmea
                    else TrackerPlan(f"T{k + 1}", callsign=CALLSIGNS[k])
                    for k in range(trackers)
                ),
            ),
        )
    )
