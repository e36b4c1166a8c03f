"""The sounding against the air that the made flights flew through."""

from __future__ import annotations

import csv
import io
import math
from functools import cache

import numpy as np
import pytest

from server.debrief.profile import pictures
from server.debrief.record import FlightRecord, replay_flight
from server.debrief.sounding import Level, sounding, sounding_csv
from server.logs import Recording
from tests.debrief.made import demo, plain
from tests.made import Made, make_flight

SEEDS = (1, 2, 3)


@cache
def flown(seed: int) -> tuple[Made, FlightRecord]:
    made = make_flight("stuck, with a barometer", seed).without_faulty()
    recording = Recording("made", made.receptions, (), {}, ())
    return made, replay_flight(recording, made.plan)


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
    altitudes = [v.pressure_altitude_m for v in levels]
    logs = [-math.log(v.pressure_pa) for v in levels if v.pressure_pa]
    for altitude_m, hpa in handbook.items():
        assert np.interp(-math.log(hpa * 100.0), logs, altitudes) == pytest.approx(
            altitude_m, abs=10.0
        )


def test_temperature_is_that_of_the_sensor_outside() -> None:
    by_altitude = {v.altitude_m: v.temperature_c for v in sounding(demo())}
    assert by_altitude[10_625.0] == pytest.approx(-51.0, abs=2.0)  # the demo's made air
    outside = demo().history.sensors["N0CALL-11/Outside"]["points"]
    low, high = min(v for _, v in outside), max(v for _, v in outside)
    found = [t for t in by_altitude.values() if t is not None]
    assert low - 1.0 < min(found)
    assert max(found) < high + 1.0


def test_the_table_has_units_and_the_pictures_are_drawn() -> None:
    levels = sounding(demo())
    rows = list(csv.DictReader(io.StringIO(sounding_csv(levels).decode())))
    assert len(rows) == len(levels)
    assert float(rows[10]["longitude_deg"]) == pytest.approx(levels[10].longitude_deg, abs=1e-5)
    assert [p.title for p in pictures(levels)][:2] == ["Wind speed", "Wind direction"]
    assert len(pictures(levels)) == 6
    assert pictures([]) == []


def test_a_flight_that_was_never_seen_to_climb_has_no_sounding() -> None:
    recording = Recording("none", plain().recording.receptions[:1], (), {}, ())
    assert sounding(replay_flight(recording, plain().plan)) == []
