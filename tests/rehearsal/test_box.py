"""The box against check values of the trade (common practice, no source)."""

from __future__ import annotations

import numpy as np
import pytest

from server.rehearsal.box import feel
from server.rehearsal.scenario import load, names
from server.rehearsal.truth import make


def celsius(fahrenheit: float) -> float:
    return (fahrenheit - 32.0) / 1.8


@pytest.mark.parametrize("name", sorted(set(names()) - {"early-burst"}))
def test_temperatures_of_the_trade(name: str) -> None:
    scenario = load(name)
    truth = make(scenario, scenario.seed)
    box = feel(truth)
    aloft = slice(truth.index(truth.launch_s), truth.index(truth.landing_s))
    coldest = float(box.outside_c[aloft].min())
    assert celsius(-75.0) < coldest < celsius(-50.0), "about -60 °F"
    inside = box.inside_c[aloft]
    assert inside.min() > celsius(40.0)
    assert inside.max() < celsius(60.0)


def test_an_exposed_sensor_reads_high_near_the_peak() -> None:
    truth = make(load("calm"), 101)
    box = feel(truth)
    error = box.outside_c - box.air_c
    at_burst, low = truth.index(truth.burst_s) - 60, int(np.argmax(truth.altitude_m > 3_000.0))
    assert error[at_burst] > 5.0
    assert error[at_burst] > 2.5 * error[low]


def test_pressure_humidity_and_battery_stay_possible() -> None:
    truth = make(load("calm"), 101)
    box = feel(truth)
    assert box.pressure_hpa.min() > 5.0
    assert box.pressure_hpa[0] == pytest.approx(953.0, abs=10.0)
    assert (box.humidity_percent >= 0.0).all()
    assert (box.humidity_percent <= 100.0).all()
    assert 4.0 < box.battery_v.min() < box.battery_v[0] < 5.2
