"""Water vapour, gravity and geopotential against published formulas and values."""

from __future__ import annotations

import math

import pytest

from server.debrief.air import (
    dew_point_c,
    geopotential_height_m,
    normal_gravity_ms2,
    saturation_pressure_pa,
)


@pytest.mark.parametrize("temperature_c", range(-40, 31, 10))
def test_saturation_over_water(temperature_c: float) -> None:
    """Goff-Gratch, Smithsonian Meteorological Tables (List 1951), p. 350.

    Sonntag 1990 gives his Magnus constants to 0.3 % above 0 °C, and less well in the cold.
    """
    steam = 373.16 / (temperature_c + 273.16)
    log_hpa = (
        -7.90298 * (steam - 1.0)
        + 5.02808 * math.log10(steam)
        - 1.3816e-7 * (10.0 ** (11.344 * (1.0 - 1.0 / steam)) - 1.0)
        + 8.1328e-3 * (10.0 ** (-3.49149 * (steam - 1.0)) - 1.0)
        + math.log10(1013.246)
    )
    near = 0.003 if temperature_c >= 0 else 0.007
    assert saturation_pressure_pa(temperature_c) == pytest.approx(100.0 * 10.0**log_hpa, rel=near)


def test_saturation_by_the_industrial_formulation() -> None:
    """IAPWS-IF97, table 35: 3.53658941 kPa at 300 K."""
    assert saturation_pressure_pa(300.0 - 273.15) == pytest.approx(3_536.58941, rel=0.004)


@pytest.mark.parametrize("humidity_percent", range(50, 101, 10))
def test_dew_points_by_the_rule_of_thumb(humidity_percent: int) -> None:
    """Lawrence 2005 (Bull. Amer. Meteor. Soc. 86, 225): t - (100 - RH) / 5, to 1 °C in moist air."""
    found = dew_point_c(20.0, humidity_percent)
    assert found == pytest.approx(20.0 - (100 - humidity_percent) / 5, abs=1.0)


def test_no_dew_point_out_of_range() -> None:
    for pair in ((None, 50.0), (10.0, None), (-46.0, 50.0), (10.0, 0.0), (10.0, 130.0)):
        assert dew_point_c(*pair) is None
    assert dew_point_c(math.nan, 50.0) is None


def test_gravity_on_the_ellipsoid() -> None:
    """NIMA TR8350.2, table 3.4 (equator, pole); Moritz 2000, GRS 80, at 45° (the same to 2e-6)."""
    assert normal_gravity_ms2(0.0) == pytest.approx(9.7803253359, abs=1e-9)
    assert normal_gravity_ms2(90.0) == pytest.approx(9.8321849378, abs=1e-8)
    assert normal_gravity_ms2(45.0) == pytest.approx(9.806199203, abs=3e-6)


@pytest.mark.parametrize(
    ("geometric_m", "geopotential_m"), [(10_000, 9_984), (20_000, 19_937), (30_000, 29_859)]
)
def test_geopotential_heights(geometric_m: float, geopotential_m: float) -> None:
    """U.S. Standard Atmosphere 1976, table I, which is for 45.5425°."""
    found = geopotential_height_m(geometric_m, 45.5425)
    assert found == pytest.approx(geopotential_m, abs=1.0)


def test_a_geopotential_metre_is_longer_where_gravity_is_less() -> None:
    """g = dZ / dz * 9.80665 (its definition), near the ground and at 30 km by the inverse square."""
    for latitude_deg in (0.0, 38.35, 60.0):
        low = geopotential_height_m(1.0, latitude_deg) * 9.80665
        assert low == pytest.approx(normal_gravity_ms2(latitude_deg), rel=1e-6)
        step = geopotential_height_m(30_001.0, latitude_deg) - geopotential_height_m(
            30_000.0, latitude_deg
        )
        fall = (6_371_000.0 / 6_401_000.0) ** 2
        assert step * 9.80665 == pytest.approx(low * fall, rel=1e-4)
