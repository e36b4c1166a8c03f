"""The sounding that the flight measured on its way up: winds, temperature, humidity, pressure.

Winds come from the drift between fixes, smoothed by the landing's own model of the wind
(server.flight.landing.winds), each layer at the time at which it was flown.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from server.debrief.air import dew_point_c
from server.debrief.csv_tables import Columns, rounded, table_csv
from server.debrief.record import FlightRecord, places_at
from server.flight.landing import winds
from server.flight.landing.wind_covariance import CENTRES_M, LAYER_M
from server.flight.physics.atmosphere import pressure_altitude_m
from server.flight.times import rfc3339

Array = npt.NDArray[np.float64]

CAVEAT = (
    "Not a calibrated radiosonde. A temperature sensor in sunlight reads warm, in thin air by several "
    "degrees; a humidity sensor lags in the cold and says little below -40 °C. Winds are means over "
    "250 m; the band is one standard deviation of each component."
)
_NEAR_S = 120.0  # an altitude is known this near to a fix
_PASCAL = {"pa": 1.0, "hpa": 100.0, "mbar": 100.0, "mb": 100.0, "kpa": 1_000.0}
_OUTSIDE = ("out", "ext", "air", "ambient")
_WITHIN = ("in", "board", "bat", "cpu", "core", "chip", "case", "box")


class Level(NamedTuple):
    """One layer of 250 m at its middle; None where no sensor told."""

    altitude_m: float
    time_s: float
    latitude_deg: float
    longitude_deg: float
    east_ms: float  # towards true east
    north_ms: float
    sigma_ms: float  # of each component
    temperature_c: float | None
    humidity_percent: float | None
    pressure_pa: float | None
    pressure_altitude_m: float | None  # by the standard atmosphere

    @property
    def speed_ms(self) -> float:
        return math.hypot(self.east_ms, self.north_ms)

    @property
    def from_deg(self) -> float:
        """Where the wind comes from, from true north."""
        return math.degrees(math.atan2(-self.east_ms, -self.north_ms)) % 360.0


def sounding(record: FlightRecord) -> list[Level]:
    """Levels from the ground up; none where the ascent was not seen."""
    question = record.question
    if question is None or not record.track:
        return []
    launch, burst = record.first("launch"), record.last("burst")
    from_s = -math.inf if launch is None else launch.time_s
    to_s = math.inf if burst is None else burst.time_s
    up = (question.time_s >= from_s) & (question.time_s <= to_s)
    seen = question.winds_met(up)
    if len(seen.layer) == 0:
        return []
    layer, first = np.unique(seen.layer, return_index=True)
    times = seen.time_s[first]
    places_m = (seen.x_m[first], seen.y_m[first])
    profile = winds.profile(seen, layer, times, places_m, question.ground.altitude_m)
    sigma = np.sqrt(np.maximum(np.diag(profile.covariance), 0.0))
    lat, lon = places_at(record.track, times)
    temperature = _by_layer(record, layer, _temperature(record), from_s, to_s)
    humidity = _by_layer(record, layer, _humidity(record), from_s, to_s)
    pressure = _by_layer(record, layer, _log_pressure(record), from_s, to_s)
    levels = []
    for i, number in enumerate(layer.tolist()):
        log_pa = pressure[i]
        pascal = None if log_pa is None else math.exp(log_pa)
        levels.append(
            Level(
                float(CENTRES_M[number]),
                float(times[i]),
                float(lat[i]),
                float(lon[i]),
                float(profile.east_ms[i]),
                float(profile.north_ms[i]),
                float(sigma[i]),
                temperature[i],
                humidity[i],
                pascal,
                None if pascal is None else pressure_altitude_m(pascal),
            )
        )
    return levels


Readings = Sequence[tuple[float, float]]  # time, value


def _by_layer(
    record: FlightRecord,
    layer: npt.NDArray[np.int64],
    readings: Readings,
    from_s: float,
    to_s: float,
) -> list[float | None]:
    """The value at each layer's middle: a straight line through its readings, or their mean."""
    kept = [(t, v) for t, v in readings if from_s <= t <= to_s and math.isfinite(v)]
    if not kept:
        return [None] * len(layer)
    time_s, value = np.array(kept).T
    track_s = np.array([p.time_s for p in record.track])
    near = np.array([np.min(np.abs(track_s - t)) <= _NEAR_S for t in time_s])
    z = np.interp(time_s, track_s, [p.altitude_m for p in record.track])[near]
    value = value[near]
    found: list[float | None] = []
    for number in layer.tolist():
        middle = CENTRES_M[number]
        here = np.abs(z - middle) <= LAYER_M
        if not here.any():
            found.append(None)
        elif here.sum() > 1 and np.ptp(z[here]) > LAYER_M / 2:
            _, start = np.polyfit(z[here] - middle, value[here], 1)
            found.append(float(start))
        else:
            below, above = z[here].min() - 100.0, z[here].max() + 100.0
            found.append(float(value[here].mean()) if below <= middle <= above else None)
    return found


def _temperature(record: FlightRecord) -> Readings:
    """Of the air, in °C: a sensor that says so, otherwise one that is not inside something."""
    found: list[tuple[int, str, Readings]] = []
    for name, series in record.history.sensors.items():
        unit, word = series["unit"].lower().strip("° "), name.split("/", 1)[-1].lower()
        scale = {
            "degc": (1.0, 0.0),
            "c": (1.0, 0.0),
            "celsius": (1.0, 0.0),
            "k": (1.0, -273.15),
            "degf": (5 / 9, -160 / 9),
            "f": (5 / 9, -160 / 9),
        }.get(unit)
        if scale is None:
            continue
        rank = 0 if any(w in word for w in _OUTSIDE) else 2 if word.startswith(_WITHIN) else 1
        points = [(t, v * scale[0] + scale[1]) for t, v in series["points"]]
        found.append((rank, name, points))
    return min(found, default=(0, "", ()))[2] if found and min(found)[0] < 2 else ()


def _humidity(record: FlightRecord) -> Readings:
    """Relative, in percent."""
    for name, series in sorted(record.history.sensors.items()):
        word = name.split("/", 1)[-1].lower()
        if "%" in series["unit"] and ("hum" in word or word.startswith("rh")):
            return series["points"]
    return ()


def _log_pressure(record: FlightRecord) -> Readings:
    """Logarithm of Pa, which runs nearly straight with height."""
    for _, series in sorted(record.history.sensors.items()):
        factor = _PASCAL.get(series["unit"].lower())
        if factor is not None:
            return [(t, math.log(v * factor)) for t, v in series["points"] if v > 0]
    return [(r.fix.time_s, math.log(r.fix.pressure_pa)) for r in record.raw if r.fix.pressure_pa]


def dew_points(levels: Sequence[Level]) -> list[tuple[Level, float]]:
    """Of the levels from the ground up to the first that is too cold or has no humidity, in °C."""
    known = ((v, dew_point_c(v.temperature_c, v.humidity_percent)) for v in levels)
    found = itertools.dropwhile(lambda pair: pair[1] is None, known)
    return [
        (v, d)
        for v, d in itertools.takewhile(lambda pair: pair[1] is not None, found)
        if d is not None
    ]


_COLUMNS: Columns[Level] = {
    "altitude_m": lambda v: round(v.altitude_m),
    "time_utc": lambda v: rfc3339(v.time_s),
    "latitude_deg": lambda v: f"{v.latitude_deg:.5f}",
    "longitude_deg": lambda v: f"{v.longitude_deg:.5f}",
    "wind_speed_m_per_s": lambda v: round(v.speed_ms, 1),
    "wind_from_deg_true": lambda v: round(v.from_deg),
    "wind_east_m_per_s": lambda v: round(v.east_ms, 2),
    "wind_north_m_per_s": lambda v: round(v.north_ms, 2),
    "wind_component_sigma_m_per_s": lambda v: round(v.sigma_ms, 2),
    "temperature_deg_c": lambda v: rounded(v.temperature_c, 1),
    "relative_humidity_percent": lambda v: rounded(v.humidity_percent, 1),
    "dew_point_deg_c": lambda v: rounded(dew_point_c(v.temperature_c, v.humidity_percent), 1),
    "pressure_hpa": lambda v: None if v.pressure_pa is None else round(v.pressure_pa / 100.0, 2),
    "pressure_altitude_minus_gps_altitude_m": lambda v: (
        None if v.pressure_altitude_m is None else round(v.pressure_altitude_m - v.altitude_m, 0)
    ),
}


def sounding_csv(levels: Sequence[Level]) -> bytes:
    return table_csv(_COLUMNS, levels)
