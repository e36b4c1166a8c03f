"""Winds met on the way up, and what their change does to a box that falls through them again."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.flight.mission import Mission
from server.flight.track.filter import predict
from server.flight.track.recent import Point
from server.flight.track.winds_met import Drift, WindsMet, climbed, drift
from tests.made import make_flight

SHEAR = 0.004  # 1/s: 4 m/s more for each kilometre


def east_ms(z_m: float) -> float:
    return 3.0 + SHEAR * z_m


def climb(top_m: float, rate_ms: float = 5.0, every_s: float = 10.0) -> WindsMet:
    """Through a wind that grows evenly with height."""
    winds, x_m, time_s = WindsMet(), 0.0, 0.0
    while time_s * rate_ms <= top_m:
        z_m = time_s * rate_ms
        winds = climbed(winds, Point(time_s, x_m, -2.0 * time_s, z_m))
        x_m += every_s * east_ms(z_m + rate_ms * every_s / 2.0)
        time_s += every_s
    return winds


def test_a_layer_is_the_wind_at_its_middle() -> None:
    winds = climb(10_000.0)
    assert len(winds.layers) > 60
    for layer in winds.layers:
        assert layer.east_ms == pytest.approx(east_ms(layer.z_m), abs=1e-6)
        assert layer.north_ms == pytest.approx(-2.0)
    heights = [layer.z_m for layer in winds.layers]
    assert heights == sorted(heights)


@given(st.floats(500.0, 9_000.0), st.floats(10.0, 400.0), st.floats(1.0, 60.0))
def test_an_even_shear_moves_a_fall_as_its_integral_does(
    from_m: float, fallen_m: float, dt_s: float
) -> None:
    found = drift(climb(10_000.0), from_m, from_m - fallen_m, dt_s)
    assert found is not None
    slower_ms = -SHEAR * fallen_m
    assert found.faster_ms[0] == pytest.approx(slower_ms, abs=1e-6)
    assert found.faster_ms[1] == pytest.approx(0.0, abs=1e-9)
    assert found.moved_m[0] == pytest.approx(slower_ms * dt_s / 2.0, abs=1e-3)


def test_nothing_is_known_above_the_climb_or_before_it() -> None:
    assert drift(WindsMet(), 5_000.0, 4_000.0, 60.0) is None
    assert drift(climb(6_000.0), 7_000.0, 6_500.0, 60.0) is None
    assert isinstance(drift(climb(6_000.0), 7_000.0, 3_000.0, 60.0), Drift)


def test_what_sinks_or_is_heard_too_soon_adds_no_layer() -> None:
    first = climbed(WindsMet(), Point(0.0, 0.0, 0.0, 1_000.0))
    for later in (Point(5.0, 50.0, 0.0, 1_200.0), Point(60.0, 300.0, 0.0, 990.0)):
        assert climbed(first, later) == first


def test_a_fall_is_foretold_the_better_for_it() -> None:
    """Half a minute ahead on the way down of a made flight, with the winds and without."""
    made = make_flight("plain", 1)
    flight = Mission(made.plan)
    flight.receive(made.receptions)
    errors_m: dict[str, list[float]] = {"with": [], "without": []}
    for record in flight.flights[0].track.whole_records():
        state, at_s = record.after.state, record.fix.time_s + 30.0
        if state is None or not made.truth.burst_s + 60.0 < at_s < made.truth.landing_s:
            continue
        latitude_deg, longitude_deg, _ = made.truth.at(at_s)
        x_m, y_m = flight.flights[0].track.frame.to_xy(latitude_deg, longitude_deg)
        constants = flight.flights[0].track.constants
        for name, met in (("with", constants), ("without", replace(constants, met_change=0.0))):
            motion = predict(state, at_s, met).mixture
            away = motion.x.position - float(x_m), motion.y.position - float(y_m)
            errors_m[name].append(away[0] ** 2 + away[1] ** 2)
    assert len(errors_m["with"]) > 60
    assert sum(errors_m["with"]) < 0.8 * sum(errors_m["without"])
