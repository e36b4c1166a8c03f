"""The sounding as pictures: each quantity over altitude."""

from __future__ import annotations

from collections.abc import Sequence

from server.debrief.charts import Axes, Points, Series, chart
from server.debrief.map import LANDING, PAYLOAD, QUIET
from server.debrief.page import Picture, picture
from server.debrief.reader import reader, temperature_scale
from server.debrief.skewt import skew_t
from server.debrief.sounding import Level, dew_points
from server.flight.physics.atmosphere import temperature_k

_HEIGHT = 420
_COMPASS_DEG = (0.0, 45.0, 90.0, 135.0, 180.0, 225.0, 270.0, 315.0, 360.0)


def pictures(levels: Sequence[Level]) -> list[Picture]:
    """None where there is no sounding."""
    if not levels:
        return []
    system = reader().system
    wind, high = system.speed.of, system.height.of
    warm, degrees = temperature_scale()
    sigma = [wind(v.sigma_ms) for v in levels]
    east: Points = [(wind(v.east_ms), high(v.altitude_m)) for v in levels]
    north: Points = [(wind(v.north_ms), high(v.altitude_m)) for v in levels]
    standard: Points = [
        (warm(float(temperature_k(v.altitude_m)) - 273.15), high(v.altitude_m)) for v in levels
    ]
    air = [
        (warm(v.temperature_c), high(v.altitude_m)) for v in levels if v.temperature_c is not None
    ]
    dew = [(warm(celsius), high(v.altitude_m)) for v, celsius in dew_points(levels)]
    damp = [
        (v.humidity_percent, high(v.altitude_m)) for v in levels if v.humidity_percent is not None
    ]
    off = [
        (high(v.pressure_altitude_m - v.altitude_m), high(v.altitude_m))
        for v in levels
        if v.pressure_altitude_m is not None
    ]
    speed: Points = [(wind(v.speed_ms), high(v.altitude_m)) for v in levels]
    direction: Points = [(v.from_deg, high(v.altitude_m)) for v in levels]
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
    lag = f"Lags in the cold; says little below {warm(-40.0):.0f} {degrees}."
    warm_day = (
        "By the U.S. Standard Atmosphere 1976. A warm day's air makes it smaller with height."
    )
    over_speed = _over(system.speed.unit, [Series("speed", PAYLOAD, speed, band=sigma)])
    over_direction = _over(
        "degrees, where it comes from",
        [Series("from", PAYLOAD, direction, dots=True)],
        _COMPASS_DEG,
    )
    over_temperature = _over(degrees, temperatures) if air else ""
    over_humidity = _over("%", [Series("measured", PAYLOAD, damp)])
    over_difference = _over(system.height.unit, [Series("difference", PAYLOAD, off)])
    return [
        *picture("Skew-T", skew_t(levels), feathers, tall=True),
        *picture("Wind speed", over_speed),
        *picture("Wind direction", over_direction),
        *picture("Wind towards east and north", _over(system.speed.unit, winds)),
        *picture("Temperature", over_temperature, sunlight),
        *picture("Relative humidity", over_humidity, lag),
        *picture("Pressure altitude less GPS altitude", over_difference, warm_day),
    ]


def _over(title: str, series: Sequence[Series], x_ticks: Sequence[float] | None = None) -> str:
    height = f"altitude, {reader().system.height.unit}"
    return chart(Axes(title, height, height=_HEIGHT, x_ticks=x_ticks), series)
