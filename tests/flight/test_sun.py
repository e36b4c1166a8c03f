"""Sunset against the equations of NOAA's Global Monitoring Laboratory ("General Solar Position
Calculations"), written here from memory of that page."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import pytest

from server.flight.physics.sun import sunset_s

WITHIN_S = 180.0  # of these equations, which are good to a minute or two


def by_equations(latitude_deg: float, longitude_deg: float, day: datetime) -> float:
    g = 2.0 * math.pi / 365.0 * (day.timetuple().tm_yday - 1 + 0.5)
    equation_min = 229.18 * (
        0.000075
        + 0.001868 * math.cos(g)
        - 0.032077 * math.sin(g)
        - 0.014615 * math.cos(2 * g)
        - 0.040849 * math.sin(2 * g)
    )
    declination = (
        0.006918
        - 0.399912 * math.cos(g)
        + 0.070257 * math.sin(g)
        - 0.006758 * math.cos(2 * g)
        + 0.000907 * math.sin(2 * g)
        - 0.002697 * math.cos(3 * g)
        + 0.00148 * math.sin(3 * g)
    )
    latitude = math.radians(latitude_deg)
    hour_angle = math.acos(
        math.cos(math.radians(90.833)) / (math.cos(latitude) * math.cos(declination))
        - math.tan(latitude) * math.tan(declination)
    )
    minutes = 720.0 - 4.0 * (longitude_deg - math.degrees(hour_angle)) - equation_min
    return day.timestamp() + 60.0 * minutes


@pytest.mark.parametrize(
    ("latitude_deg", "longitude_deg", "day"),
    [
        (38.35, -98.2, datetime(2026, 6, 21, tzinfo=UTC)),
        (38.35, -98.2, datetime(2026, 12, 21, tzinfo=UTC)),
        (46.8, 8.2, datetime(2026, 3, 20, tzinfo=UTC)),
        (-42.0, 146.5, datetime(2026, 1, 10, tzinfo=UTC)),
        (0.0, 179.9, datetime(2026, 9, 1, tzinfo=UTC)),
        (0.0, -179.9, datetime(2026, 9, 1, tzinfo=UTC)),
    ],
)
def test_sunset_of_the_local_day(latitude_deg: float, longitude_deg: float, day: datetime) -> None:
    noon_s = day.timestamp() + 43_200.0 - longitude_deg / 15.0 * 3_600.0
    found = sunset_s(latitude_deg, longitude_deg, noon_s)
    assert found is not None
    assert found == pytest.approx(by_equations(latitude_deg, longitude_deg, day), abs=WITHIN_S)


def test_where_the_sun_stays_up_there_is_none() -> None:
    assert sunset_s(78.0, 15.0, datetime(2026, 6, 21, 12, tzinfo=UTC).timestamp()) is None
