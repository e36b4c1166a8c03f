"""The sounding against the air that the made flights flew through."""

from __future__ import annotations

import csv
import io
import itertools
import math
from functools import cache

import numpy as np
import pytest

from server.debrief.air import geopotential_height_m
from server.debrief.page import flight_page
from server.debrief.profile import pictures
from server.debrief.record import FlightRecord
from server.debrief.sounding import CAVEAT, Level, dew_points, sounding, sounding_csv
from server.journal.recording import Recording
from tests.debrief.made import STANDARD_HUMIDITY, demo, plain, replayed, standard
from tests.made import Made, make_flight

SEEDS = (1, 2, 3)


@cache
def flown(seed: int) -> tuple[Made, FlightRecord]:
    made = make_flight("stuck, with a barometer", seed).without_faulty()
    recording = Recording("made", made.receptions, (), {}, ())
    return made, replayed(recording, made.plan)


def true_wind(made: Made, level: Level) -> tuple[float, float]:
    """Mean of the wind while it climbed through the layer of 250 m; the truth's own, by second."""
    truth = made.truth
    second = np.arange(truth.altitude_m.size) + truth.start_s
    here = (
        (np.abs(truth.altitude_m - level.altitude_m) <= 125.0)
        & (second >= truth.launch_s)
        & (second <= truth.burst_s)
    )
    return float(truth.east_ms[here].mean()), float(truth.north_ms[here].mean())


def test_winds_come_back_within_their_stated_uncertainty() -> None:
    """Errors in units of the stated sigma: a normal variable lies within 2 in 95 %, and its root
    mean square is 1; a stated uncertainty far too wide or too narrow fails."""
    errors = []
    for seed in SEEDS:
        made, record = flown(seed)
        levels = sounding(record)
        assert len(levels) > 80
        for level in levels:
            east, north = true_wind(made, level)
            errors += [(level.east_ms - east) / level.sigma_ms]
            errors += [(level.north_ms - north) / level.sigma_ms]
    found = np.array(errors)
    assert 0.3 < math.sqrt(float(np.mean(found**2))) < 1.3
    assert float(np.mean(np.abs(found) < 2.0)) > 0.92


def given(value: float | None) -> float:
    assert value is not None
    return value


def test_direction_is_where_the_wind_comes_from() -> None:
    """WMO-No. 8: 270° is a wind from the west."""
    level = Level(0.0, 0.0, 0.0, 0.0, 8.0, 0.0, 1.0, None, None, None, None)
    assert level.from_deg == 270.0
    assert level._replace(east_ms=0.0, north_ms=-3.0).from_deg == 0.0
    levels = sounding(plain())  # drifts east at 8 m/s in true coordinates
    steady = [v for v in levels if 2_000 < v.altitude_m < 20_000]
    assert np.mean([v.speed_ms for v in steady]) == pytest.approx(8.0, abs=0.2)
    assert np.mean([v.from_deg for v in steady]) == pytest.approx(270.0, abs=1.5)


def test_pressure_altitudes_are_those_of_the_standard_atmosphere() -> None:
    """U.S. Standard Atmosphere 1976, table I: pressure in hPa at geometric altitudes in m."""
    handbook = {5_000.0: 540.48, 10_000.0: 264.99, 15_000.0: 121.11, 20_000.0: 55.293}
    levels = [v for v in sounding(demo()) if v.pressure_pa is not None]
    assert len(levels) > 80
    altitudes = [given(v.pressure_altitude_m) for v in levels]
    logs = [-math.log(given(v.pressure_pa)) for v in levels]
    for altitude_m, hpa in handbook.items():
        assert np.interp(-math.log(hpa * 100.0), logs, altitudes) == pytest.approx(
            altitude_m, abs=10.0
        )


# U.S. Standard Atmosphere 1976, table I: geometric altitude m, temperature K, pressure Pa
HANDBOOK = (
    (5_000, 255.68, 54_048), (10_000, 223.25, 26_500), (15_000, 216.65, 12_112),
    (20_000, 216.65, 5_529.3), (25_000, 221.55, 2_549.2),
)  # fmt: skip


@pytest.mark.parametrize(("altitude_m", "kelvin", "pascal"), HANDBOOK)
def test_a_flight_through_the_standard_atmosphere_comes_back_as_its_table(
    altitude_m: float, kelvin: float, pascal: float
) -> None:
    """The sensors' values are the library ambiance's, the expected ones the printed table's."""
    levels = sounding(standard())
    z = [v.altitude_m for v in levels]
    temperature = np.interp(altitude_m, z, [given(v.temperature_c) for v in levels])
    assert temperature == pytest.approx(kelvin - 273.15, abs=0.3)  # 46 m of height in the lapse
    log_pa = np.interp(altitude_m, z, [math.log(given(v.pressure_pa)) for v in levels])
    assert math.exp(log_pa) == pytest.approx(pascal, rel=0.002)
    off = np.interp(altitude_m, z, [given(v.pressure_altitude_m) - v.altitude_m for v in levels])
    assert off == pytest.approx(0.0, abs=15.0)


def test_the_lapse_rate_is_that_of_the_table() -> None:
    """U.S. Standard Atmosphere 1976, table 4: -6.5 K a geopotential kilometre up to 11 km, then 0."""
    levels = sounding(standard())

    def lapse(low_m: float, high_m: float) -> float:
        here = [v for v in levels if low_m < v.altitude_m < high_m]
        height = [geopotential_height_m(v.altitude_m, 45.5425) / 1000.0 for v in here]
        return float(np.polyfit(height, [given(v.temperature_c) for v in here], 1)[0])

    assert lapse(1_500.0, 10_500.0) == pytest.approx(-6.5, abs=0.05)
    assert lapse(12_000.0, 19_500.0) == pytest.approx(0.0, abs=0.02)
    assert lapse(20_800.0, 26_000.0) == pytest.approx(1.0, abs=0.05)


def test_temperature_pressure_and_height_agree_by_the_hypsometric_equation() -> None:
    """Wallace and Hobbs 2006 (Atmospheric Science, 2nd ed.), eq. 3.29: Z2 - Z1 = (R Tv / g0) ln(p1 / p2).

    The standard atmosphere is dry, so that Tv is T; R = 287.05 J/(kg K), g0 = 9.80665 m/s².
    """
    levels = sounding(standard())
    thick_m = sum(
        287.05
        * ((given(a.temperature_c) + given(b.temperature_c)) / 2 + 273.15)
        / 9.80665
        * math.log(given(a.pressure_pa) / given(b.pressure_pa))
        for a, b in itertools.pairwise(levels)
    )
    low, high = (geopotential_height_m(levels[i].altitude_m, 45.5425) for i in (0, -1))
    assert thick_m == pytest.approx(high - low, rel=0.002)


def test_humidity_and_dew_point_come_back() -> None:
    """WMO-No. 8, annex 4.B, longhand: e = 0.6 * 6.112 exp(17.62 t / (243.12 + t)), turned round."""
    rows = list(csv.DictReader(io.StringIO(sounding_csv(sounding(standard())).decode())))
    warm = [row for row in rows if float(row["temperature_deg_c"]) > -44.0]
    assert len(warm) > 20
    for row in warm:
        assert float(row["relative_humidity_percent"]) == pytest.approx(STANDARD_HUMIDITY, abs=0.1)
        t = float(row["temperature_deg_c"])
        log = math.log(0.6 * 6.112 * math.exp(17.62 * t / (243.12 + t)) / 6.112)
        assert float(row["dew_point_deg_c"]) == pytest.approx(
            243.12 * log / (17.62 - log), abs=0.11
        )
    cold = [row for row in rows if float(row["temperature_deg_c"]) < -46.0]
    assert {row["dew_point_deg_c"] for row in cold} == {""}


def test_dew_points_end_where_it_is_too_cold() -> None:
    """The stratosphere is warmer again, and its dew points would be joined to those of the ground."""
    levels = sounding(standard())
    warm = [v for v in levels if v.altitude_m < 9_200.0]
    assert [v for v, _ in dew_points(levels)][: len(warm)] == warm
    assert max(v.altitude_m for v, _ in dew_points(levels)) < 9_500.0
    again = [v._replace(temperature_c=-40.0) if v.altitude_m > 20_000.0 else v for v in levels]
    assert dew_points(again) == dew_points(levels)


def test_the_radiation_caveat_stands_beside_the_temperature() -> None:
    """WMO-No. 8, part I, chapter 12: a sensor in sunlight reads warm, the more the thinner the air."""
    page = flight_page(demo(), pictures(sounding(demo())), CAVEAT).decode()
    assert CAVEAT in page
    assert "in sunlight reads warm, in thin air by several degrees" in CAVEAT


def test_temperature_is_that_of_the_sensor_outside() -> None:
    """The demo has two thermometers; the one in the box never gets as cold."""
    outside = demo().history.sensors["N0CALL-11/Outside"]["points"]
    low, high = min(v for _, v in outside), max(v for _, v in outside)
    found = [v.temperature_c for v in sounding(demo()) if v.temperature_c is not None]
    assert low - 1.0 < min(found) < -40.0
    assert max(found) < high + 1.0


def test_the_table_has_units_and_the_pictures_are_drawn() -> None:
    levels = sounding(demo())
    rows = list(csv.DictReader(io.StringIO(sounding_csv(levels).decode())))
    assert len(rows) == len(levels)
    assert float(rows[10]["longitude_deg"]) == pytest.approx(levels[10].longitude_deg, abs=1e-5)
    assert [p.title for p in pictures(levels)] == [
        "Skew-T",
        "Wind speed",
        "Wind direction",
        "Wind towards east and north",
        "Temperature",
        "Relative humidity",
        "Pressure altitude less GPS altitude",
    ]
    assert pictures(sounding(plain()))[0].title == "Wind speed"  # it has no sensors
    assert pictures([]) == []


def test_a_flight_that_was_never_seen_to_climb_has_no_sounding() -> None:
    recording = Recording("none", plain().recording.receptions[:1], (), {}, ())
    assert sounding(replayed(recording, plain().mission.plan)) == []
