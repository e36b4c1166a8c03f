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
    temperatures = [Series("standard atmosphere", QUIET, standard, dashed=True)]
    return [
        *picture(
            "Skew-T",
            skew_t(levels),
            "Up to 100 hPa. A full feather is 10 knots, a pennant 50.",
            tall=True,
        ),
        *picture(
            "Wind speed",
            _over(
                "m/s",
                [
                    Series(
                        "speed", PAYLOAD, [(v.speed_ms, v.altitude_m) for v in levels], band=sigma
                    )
                ],
            ),
        ),
        *picture(
            "Wind direction",
            _over(
                "degrees, where it comes from",
                [Series("from", PAYLOAD, [(v.from_deg, v.altitude_m) for v in levels], dots=True)],
                _COMPASS_DEG,
            ),
        ),
        *picture(
            "Wind towards east and north",
            _over(
                "m/s",
                [
                    Series("east", PAYLOAD, east, band=sigma),
                    Series("north", LANDING, north, band=sigma),
                ],
            ),
        ),
        *picture(
            "Temperature",
            _over(
                "°C",
                [
                    Series("measured", LANDING, air),
                    Series("dew point", PAYLOAD, dew),
                    *temperatures,
                ],
            )
            if air
            else "",
            "Measured in sunlight: read warm aloft.",
        ),
        *picture(
            "Relative humidity",
            _over("%", [Series("measured", PAYLOAD, damp)]),
            "Lags in the cold; says little below -40 °C.",
        ),
        *picture(
            "Pressure altitude less GPS altitude",
            _over("m", [Series("difference", PAYLOAD, off)]),
            "By the U.S. Standard Atmosphere 1976. A warm day's air makes it smaller with height.",
        ),
    ]


def _over(title: str, series: Sequence[Series], x_ticks: Sequence[float] | None = None) -> str:
    return chart(Axes(title, "altitude, m", height=_HEIGHT, x_ticks=x_ticks), series)
