"""The prediction against textbook formulas, an ODE solver of a reference library, and real flights."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp
from scipy.stats import gumbel_l

from server.flight.inputs import DescentPlan, FlightPlan, LaunchPlan, Plan, TrackerPlan
from server.flight.landing.area import area, inside
from server.flight.landing.climb import Climb
from server.flight.landing.descent import Fall
from server.flight.landing.ensemble import Start, fall, mean_path
from server.flight.landing.predict import predict
from server.flight.landing.wind_covariance import LAYER_M, LAYERS
from server.flight.landing.winds import WindProfile
from server.flight.mission import Mission
from server.flight.physics.atmosphere import density_kg_m3
from tests.flights import LAUNCH, made_flight, packet, position_at

PLAN = Plan(
    flights=(
        FlightPlan(
            launch=LaunchPlan(*LAUNCH), trackers=(TrackerPlan("Main", callsign="N0CALL-11"),)
        ),
    )
)


def test_the_fall_agrees_with_an_ode_solver() -> None:
    """Deterministic case: wind sheared by layer, constant k below 10 km, from 9 km to 1 km."""
    east = np.linspace(2.0, 20.0, LAYERS)
    wind = WindProfile(east, -0.5 * east, np.zeros((LAYERS, LAYERS)))
    k = 5.0
    path = mean_path(Start(0.0, 0.0, 9_000.0, 0.0, 0.0), None, wind, k, 1_000.0)

    def rates(_: float, state: np.ndarray) -> list[float]:
        layer = min(int(state[2] / LAYER_M), LAYERS - 1)
        return [
            east[layer],
            -0.5 * east[layer],
            -k / math.sqrt(float(density_kg_m3(state[2]))),
        ]

    def on_ground(_: float, state: np.ndarray) -> float:
        return float(state[2]) - 1_000.0

    on_ground.terminal = True  # type: ignore[attr-defined]
    solved = solve_ivp(
        rates, (0, 4_000), [0.0, 0.0, 9_000.0], events=on_ground, max_step=0.5, rtol=1e-8
    )
    one_metre = 1.0
    assert path[-1, 1] == pytest.approx(solved.y[0, -1], abs=one_metre)
    assert path[-1, 2] == pytest.approx(solved.y[1, -1], abs=one_metre)
    assert path[-1, 0] == pytest.approx(solved.t[-1], abs=0.05)


def test_the_ensembles_mean_agrees_with_an_ode_solver() -> None:
    """Nothing left to chance, from 28 km, with the table of k aloft: every member ends where scipy does."""
    layers = np.arange(LAYERS, dtype=np.float64)
    east, north = 15.0 + 10.0 * np.sin(layers / 9.0), -4.0 + 0.1 * layers
    wind = WindProfile(east, north, np.zeros((LAYERS, LAYERS)))
    k = 5.2
    sure = Fall((1.0, 0.0, 0.0), (math.log(k),) * 3, (0.0,) * 3)
    drawn, _ = fall(
        Start(100.0, -50.0, 28_000.0, 0.0, 0.0), None, wind, sure, 430.0, 0.0, 6.0, 2_000, 7
    )
    aloft = (
        (10_000, 1.0),
        (11_250, 1.005),
        (13_750, 1.01),
        (16_250, 1.04),
        (18_750, 1.085),
        (22_000, 1.136),
    )

    def rates(_: float, state: np.ndarray) -> list[float]:
        layer = min(int(state[2] / LAYER_M), LAYERS - 1)
        lift = float(np.interp(state[2], [m for m, _ in aloft], [f for _, f in aloft]))
        return [east[layer], north[layer], -k * lift / math.sqrt(float(density_kg_m3(state[2])))]

    def on_ground(_: float, state: np.ndarray) -> float:
        return float(state[2]) - 430.0

    on_ground.terminal = True  # type: ignore[attr-defined]
    solved = solve_ivp(
        rates, (0, 6_000), [100.0, -50.0, 28_000.0], events=on_ground, max_step=0.25, rtol=1e-8
    )
    one_metre = 1.0
    assert drawn.x_m.mean() == pytest.approx(solved.y[0, -1], abs=one_metre)
    assert drawn.y_m.mean() == pytest.approx(solved.y[1, -1], abs=one_metre)
    assert drawn.after_s.mean() == pytest.approx(solved.t[-1], abs=0.05)
    assert drawn.x_m.std() < one_metre  # a millimetre a second is added, so that a root is there


# altitude, and the climb rate there over that between 5 and 10 km: tests/data/flights, medians
REAL_CLIMBS = (
    [8_750.0, 11_250.0, 13_750.0, 16_250.0, 18_750.0, 21_250.0, 23_750.0],
    [1.02, 1.05, 1.025, 0.905, 0.845, 0.785, 0.755],
)


def test_the_climb_goes_to_the_burst_and_back() -> None:
    calm = WindProfile(np.zeros(LAYERS), np.zeros(LAYERS), np.zeros((LAYERS, LAYERS)))
    path = mean_path(
        Start(0.0, 0.0, 10_000.0, 0.0, 0.0), Climb(5.0, 0.5, 30_000.0, 1_000.0), calm, 5.0, 500.0
    )
    top = int(np.argmax(path[:, 3]))
    assert path[top, 3] == pytest.approx(30_000.0, abs=10.0)
    # longhand: 5 m/s between 5 and 10 km, slower above by the medians of real flights
    expected_s, _ = quad(
        lambda z_m: 1.0 / (5.0 * np.interp(z_m, *REAL_CLIMBS)), 10_000.0, 30_000.0, limit=200
    )
    assert path[top, 0] == pytest.approx(expected_s, rel=2e-3)
    assert path[-1, 3] == pytest.approx(500.0)


@pytest.mark.parametrize("above_m", [9_000.0, 19_600.0, 20_000.0, 24_000.0, 33_000.0])
def test_a_burst_that_has_not_come_yet_comes_above(above_m: float) -> None:
    """Expected at 20 km, 2 km either way, and known to be above: against scipy's Gumbel of minima."""
    climb = Climb(5.0, 0.5, 20_000.0, 2_000.0)
    scale_m = 2_000.0 * np.sqrt(6.0) / np.pi
    theirs = gumbel_l(20_000.0 + np.euler_gamma * scale_m, scale_m)
    assert theirs.mean() == pytest.approx(20_000.0)
    assert theirs.std() == pytest.approx(2_000.0)
    chances = np.linspace(0.02, 0.98, 49)
    passed = theirs.cdf(above_m)
    drawn_m = climb.drawn_burst_m(above_m, chances)
    if passed < 1.0 - 1e-9:  # beyond that scipy's own quantile has no digits left
        expected_m = theirs.ppf(passed + chances * (1.0 - passed))
        np.testing.assert_allclose(drawn_m, expected_m, atol=1.0)
        mean_m = theirs.expect(lambda z: z, lb=above_m, ub=40_000.0, conditional=True)
        assert climb.burst_m(above_m) == pytest.approx(float(mean_m), abs=25.0)
    assert (np.diff(drawn_m) > 0.0).all()
    assert drawn_m[0] >= above_m


def test_an_area_holds_its_share() -> None:
    rng = np.random.default_rng(7)
    x, y = rng.multivariate_normal([300.0, -50.0], [[4e6, 1.5e6], [1.5e6, 1e6]], 4_000).T
    middle = (float(np.median(x)), float(np.median(y)))
    for share in (0.5, 0.9):
        ring = area(x, y, middle, share)
        assert inside(ring.ring_m, x, y).mean() == pytest.approx(share, abs=0.01)


def test_the_same_question_has_the_same_answer() -> None:
    flight = Mission(PLAN)
    flight.receive(list(made_flight(6_000.0)))
    question = flight.flights[0].landing_question()
    assert question is not None
    a, b = predict(question), predict(question)
    assert a is not None
    assert b is not None
    assert a.x_m == b.x_m
    assert np.array_equal(a.nine_tenths.ring_m, b.nine_tenths.ring_m)
    other = predict(replace(question, number=question.number + 1))
    assert other is not None
    assert other.x_m != a.x_m


def test_a_wind_along_a_parallel_carries_along_the_parallel() -> None:
    """A flat frame's y axis turns away from north: 1.4 km over this fall, had the wind been taken flat."""
    plan = Plan(
        flights=(
            FlightPlan(
                trackers=(TrackerPlan("Main", "N0CALL-11"),),
                launch=LaunchPlan(*LAUNCH),
                descent=DescentPlan(fall_speed_sea_level_ms=5.0),
            ),
        )
    )
    flight = Mission(plan)
    for t in range(0, 5_700, 30):
        latitude_deg, longitude_deg, altitude_m = position_at(float(t))
        four_times = LAUNCH[1] + 4.0 * (longitude_deg - LAUNCH[1])  # 32 m/s from the west
        flight.receive([packet(float(t), position=(latitude_deg, four_times, altitude_m))])
    question = flight.flights[0].landing_question()
    assert question is not None
    answer = predict(question)
    assert answer is not None
    latitude_deg, _ = question.frame.to_latlon(answer.x_m, answer.y_m)
    assert answer.x_m > 200_000.0
    assert abs(float(latitude_deg) - LAUNCH[0]) * 111_000.0 < 100.0
