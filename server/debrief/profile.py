"""The sounding as pictures: each quantity over altitude."""

from __future__ import annotations

from collections.abc import Sequence

from server.debrief.charts import Axes, Points, Series, chart
from server.debrief.map import LANDING, PAYLOAD, QUIET
from server.debrief.page import Picture, picture
from server.debrief.skewt import skew_t
from server.debrief.sounding import Level, dew_points
from server.flight.physics.atmosphere import temperature_k

_HEIGHT = 420
_COMPASS_DEG = (0.0, 45.0, 90.0, 135.0, 180.0, 225.0, 270.0, 315.0, 360.0)


def pictures(levels: Sequence[Level]) -> list[Picture]:
    """None where there is no sounding."""
    if not levels:
        return []
    sigma = [v.sigma_ms for v in levels]
    east: Points = [(v.east_ms, v.altitude_m) for v in levels]
    north: Points = [(v.north_ms, v.altitude_m) for v in levels]
    standard: Points = [(float(temperature_k(v.altitude_m)) - 273.15, v.altitude_m) for v in levels]
    air = [(v.temperature_c, v.altitude_m) for v in levels if v.temperature_c is not None]
    dew = [(celsius, v.altitude_m) for v, celsius in dew_points(levels)]
    damp = [(v.humidity_percent, v.altitude_m) for v in levels if v.humidity_percent is not None]
    off = [
        (v.pressure_altitude_m - v.altitude_m, v.altitude_m)
        for v in levels
        if v.pressure_altitude_m is not None
    ]
    speed: Points = [(v.speed_ms, v.altitude_m) for v in levels]
    direction: Points = [(v.from_deg, v.altitude_m) for v in levels]
    winds = [
        Series("east", PAYLOAD, east, band=sigma),
        Series("north", LANDING, north, band=sigma),
    ]
    temperatures = [
        Series("measured", LANDING, air),
        Series("dew point", PAYLOAD, dew),
        Series("standard atmosphere", QUIET, standard, dashed=True),
    ]
    feathers = "Up to 100 hPa. A full feather is 10 knots, a pennant 50."
    sunlight = "Measured in sunlight: read warm aloft."
    lag = "Lags in the cold; says little below -40 °C."
    warm_day = (
        "By the U.S. Standard Atmosphere 1976. A warm day's air makes it smaller with height."
    )
    over_speed = _over("m/s", [Series("speed", PAYLOAD, speed, band=sigma)])
    over_direction = _over(
        "degrees, where it comes from",
        [Series("from", PAYLOAD, direction, dots=True)],
        _COMPASS_DEG,
    )
    over_temperature = _over("°C", temperatures) if air else ""
    over_humidity = _over("%", [Series("measured", PAYLOAD, damp)])
    over_difference = _over("m", [Series("difference", PAYLOAD, off)])
    return [
        *picture("Skew-T", skew_t(levels), feathers, tall=True),
        *picture("Wind speed", over_speed),
        *picture("Wind direction", over_direction),
        *picture("Wind towards east and north", _over("m/s", winds)),
        *picture("Temperature", over_temperature, sunlight),
        *picture("Relative humidity", over_humidity, lag),
        *picture("Pressure altitude less GPS altitude", over_difference, warm_day),
    ]


def _over(title: str, series: Sequence[Series], x_ticks: Sequence[float] | None = None) -> str:
    return chart(Axes(title, "altitude, m", height=_HEIGHT, x_ticks=x_ticks), series)
