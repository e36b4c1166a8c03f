"""The skew-T's lines against printed formulas and tables, and its wind barbs."""

from __future__ import annotations

import itertools
import math
import re

import pytest

from server.debrief.air import (
    dew_point_of_mixing_ratio_c,
    mixing_ratio,
    moist_lapse_k_pa,
    saturation_pressure_pa,
)
from server.debrief.skewt import barb, dry_adiabat, moist_adiabat, skew_t
from server.debrief.sounding import Level, sounding
from tests.debrief.made import demo, plain
from tests.flights import T0

KNOT_MS = 0.514444


def test_the_dry_adiabat_cools_by_nine_point_eight_a_kilometre() -> None:
    """American Meteorological Society, Glossary: 9.8 K/km; dz = R T / g * dp / p (hydrostatic)."""
    for (warm, low), (cold, high) in itertools.pairwise(dry_adiabat(300.0)):
        thick_km = 287.05 * ((warm + cold) / 2 + 273.15) / 9.80665 * math.log(low / high) / 1000
        assert (warm - cold) / thick_km == pytest.approx(9.8, abs=0.06)


def equivalent_potential_k(celsius: float, pascal: float) -> float:
    """Bolton 1980, eq. 43, of saturated air; saturation by his own eq. 10. Mixing ratio in g/kg."""
    hpa, kelvin = pascal / 100.0, celsius + 273.15
    vapour_hpa = 6.112 * math.exp(17.67 * celsius / (celsius + 243.5))
    r = 622.0 * vapour_hpa / (hpa - vapour_hpa)
    dry = kelvin * (1000.0 / hpa) ** (0.2854 * (1 - 0.28e-3 * r))
    return float(dry) * math.exp((3.376 / kelvin - 0.00254) * r * (1 + 0.81e-3 * r))


@pytest.mark.parametrize("start_c", [-8.0, 0.0, 8.0, 16.0, 24.0])
def test_the_moist_adiabat_keeps_its_equivalent_potential_temperature(start_c: float) -> None:
    curve = [(t, p) for t, p in moist_adiabat(start_c) if p >= 30_000.0]
    assert len(curve) == 141
    first = equivalent_potential_k(*curve[0])
    assert max(abs(equivalent_potential_k(t, p) - first) for t, p in curve) < 0.01 * first


def test_moist_air_cools_less() -> None:
    """Wallace and Hobbs 2006, 3.5.4: about 4 K/km in warm humid air near the ground, 6 to 7 in the
    middle troposphere."""

    def lapse_k_km(celsius: float, pascal: float) -> float:
        kelvin = celsius + 273.15
        return moist_lapse_k_pa(kelvin, pascal) * pascal * 9.80665 / (287.05 * kelvin) * 1000

    assert lapse_k_km(25.0, 100_000.0) == pytest.approx(4.0, abs=0.5)
    assert 6.0 < lapse_k_km(-10.0, 60_000.0) < 7.0


def test_mixing_ratios() -> None:
    """622 e / (p - e) with Smithsonian e (List 1951, table 94): 14.89 g/kg at 20 °C, 1,000 hPa."""
    assert 1000 * mixing_ratio(2_337.3, 100_000.0) == pytest.approx(14.89, abs=0.01)
    assert dew_point_of_mixing_ratio_c(0.01489, 100_000.0) == pytest.approx(20.0, abs=0.05)
    for celsius in (-20.0, 0.0, 15.0):
        ratio = mixing_ratio(saturation_pressure_pa(celsius), 70_000.0)
        assert dew_point_of_mixing_ratio_c(ratio, 70_000.0) == pytest.approx(celsius, abs=1e-9)


def wind(knots: float, from_deg: float = 270.0, latitude_deg: float = 38.0) -> Level:
    towards = math.radians(from_deg + 180.0)
    speed = knots * KNOT_MS
    return Level(
        1_000.0,
        T0,
        latitude_deg,
        -98.0,
        speed * math.sin(towards),
        speed * math.cos(towards),
        1.0,
        None,
        None,
        None,
        None,
    )


@pytest.mark.parametrize(
    ("knots", "pennants", "full", "half"),
    [(5, 0, 0, 1), (10, 0, 1, 0), (25, 0, 2, 1), (50, 1, 0, 0), (67, 1, 1, 1), (108, 2, 1, 0)],
)
def test_barbs_count_knots_in_fives(knots: float, pennants: int, full: int, half: int) -> None:
    """The plotting symbols of wind (WMO-No. 485): half feather 5, feather 10, pennant 50 knots."""
    path = barb(wind(knots), 0.0, 0.0)
    sides = [abs(float(x)) for x in re.findall(r"M0,[-\d.]+ L(-?[\d.]+),", path)]
    assert [sides.count(12.0), sides.count(6.0)] == [pennants + full, half]
    assert path.count("L0,") == pennants
    assert "rotate(270)" in path


def test_a_calm_is_a_ring_and_feathers_turn_south_of_the_equator() -> None:
    assert barb(wind(2.0), 0.0, 0.0).startswith("<circle")
    assert "L12," in barb(wind(10.0), 0.0, 0.0)
    assert "L-12," in barb(wind(10.0, latitude_deg=-30.0), 0.0, 0.0)


def test_it_is_drawn_where_temperature_and_pressure_are() -> None:
    drawn = skew_t(sounding(demo()))
    assert "dew point" in drawn
    assert drawn.count("rotate(") > 10
    dry = [v._replace(humidity_percent=None) for v in sounding(demo())]
    assert "<i" in skew_t(dry)
    assert ">dew point<" not in skew_t(dry)
    assert skew_t(sounding(plain())) == ""
    assert skew_t(sounding(demo())[:4]) == ""
