"""Outlooks of made flights in made forecasts: do their areas hold? `python -m tests.bench outlook`.

The rehearsal flies each box in its own wind, filled with a lift that is off by as much as the plan says of
the climb rate. The forecast is the mean of what the box meets in each layer on
its way up and down, off by what is stated: a Gaussian error by height, as tall as the wind's lasting part.
"""

from __future__ import annotations

import time
from typing import Any

import numpy as np

from server.flight.inputs import BalloonPlan, DescentPlan, FlightPlan, LaunchPlan
from server.flight.landing.area import inside
from server.flight.landing.planned import planned_question
from server.flight.landing.predict import predict
from server.geodata.forecast_winds import TableForecast
from server.outlook.hours import Around, Site, compare
from server.plan.file import parse
from server.rehearsal.fleet import draw
from server.rehearsal.plan_text import plan_text
from server.rehearsal.scenario import Scenario
from server.rehearsal.truth import Truth, make
from tests.rehearsed import filled

FLIGHTS = 200
_ERROR_MS, _ERROR_HEIGHT_M = 3.5, 1_800.0  # as WindConstants has it of a forecast
_HEIGHTS_M = np.arange(0.0, 38_000.0, 250.0)
_HOURS = 72


def run(flights: int = FLIGHTS) -> dict[str, Any]:
    """Shares of the true landings in the 50 and 90 % areas, their radii, and seconds for 72 hours."""
    rows = []
    for seed in range(flights):
        scenario = draw(90_000 + seed)
        plan = _plan(scenario)
        truth = make(filled(scenario, plan.balloon, seed), scenario.seed)
        question = planned_question(plan, forecast=forecast_of(truth, seed), number=seed)
        assert question is not None
        answer = predict(question, members=500)
        assert answer is not None
        x, y = question.frame.to_xy(truth.landing[0], truth.landing[1])
        at = np.array([x]), np.array([y])
        rows.append(
            (
                float(np.hypot(answer.x_m - x, answer.y_m - y)) / 1_000.0,
                inside(answer.half.ring_m, *at)[0],
                inside(answer.nine_tenths.ring_m, *at)[0],
                answer.nine_tenths.radius_m / 1_000.0,
            )
        )
    error_km, half, nine_tenths, radius_km = np.array(rows, dtype=float).T
    return {
        "n": flights,
        "median_km": float(np.median(error_km)),
        "p90_km": float(np.quantile(error_km, 0.9)),
        "cover50": float(half.mean()),
        "cover90": float(nine_tenths.mean()),
        "r90_median_km": float(np.median(radius_km)),
        "s_for_72_hours_on_one_core": _seconds(),
    }


def _plan(scenario: Scenario) -> FlightPlan:
    """As a crew would write it: the makers' table, and what hangs under the balloon."""
    launch, lift, chute = scenario.launch, scenario.balloon, scenario.parachute
    (planned,) = parse(plan_text(scenario)).for_flight().flights
    return FlightPlan(
        launch=LaunchPlan(
            launch.latitude_deg,
            launch.longitude_deg,
            planned.launch.altitude_m,
            launch.time.timestamp(),
        ),
        balloon=BalloonPlan(
            burst_altitude_m=planned.balloon.burst_altitude_m,
            burst_altitude_sigma_m=planned.balloon.burst_altitude_sigma_m,
            ascent_rate_ms=planned.balloon.ascent_rate_ms,
            ascent_rate_sigma_ms=planned.balloon.ascent_rate_sigma_ms,
        ),
        descent=DescentPlan(mass_kg=lift.payload_kg, parachute_diameter_m=chute.diameter_m),
    )


def forecast_of(truth: Truth, seed: int) -> TableForecast:
    """The winds of the way, by layer, with an error of `_ERROR_MS`."""
    aloft = slice(round(truth.launch_s - truth.start_s), round(truth.landing_s - truth.start_s))
    altitude_m = truth.altitude_m[aloft]
    layer = np.round(altitude_m / (_HEIGHTS_M[1] - _HEIGHTS_M[0])).astype(int)
    count = np.bincount(layer, minlength=len(_HEIGHTS_M))
    met = count > 0
    east, north = (
        np.interp(
            _HEIGHTS_M,
            _HEIGHTS_M[met],
            np.bincount(layer, side[aloft], len(_HEIGHTS_M))[met] / count[met],
        )
        for side in (truth.east_ms, truth.north_ms)
    )
    apart = np.abs(_HEIGHTS_M[:, None] - _HEIGHTS_M[None, :])
    root = np.linalg.cholesky(np.exp(-apart / _ERROR_HEIGHT_M) + 1e-9 * np.eye(len(_HEIGHTS_M)))
    chance = np.random.default_rng([seed, 77])
    off = _ERROR_MS * root @ chance.standard_normal((len(_HEIGHTS_M), 2))
    return TableForecast(_HEIGHTS_M, east + off[:, 0], north + off[:, 1])


def _seconds() -> float:
    scenario = draw(90_000)
    plan = _plan(scenario)
    launch = plan.launch
    assert launch.latitude_deg is not None
    assert launch.longitude_deg is not None
    assert launch.altitude_m is not None
    assert launch.time_s is not None
    site = Site("site", launch.latitude_deg, launch.longitude_deg, launch.altitude_m)
    around = Around(plan, forecast=forecast_of(make(scenario, scenario.seed), 0))
    begun_s = time.process_time()
    compare(around, [site], [launch.time_s + 3_600.0 * hour for hour in range(_HOURS)])
    return time.process_time() - begun_s
