"""Before the first fix the plan is asked, where it names winds."""

from __future__ import annotations

import numpy as np
import pytest

from server.flight.inputs import FlightPlan, LaunchPlan, Plan, Tick, TrackerPlan
from server.flight.landing.planned import planned_question
from server.flight.landing.predict import predict
from server.flight.landing.question import Forecast
from server.flight.mission import Mission
from server.session.session import Session
from tests.flight.test_wind_ahead import Growing
from tests.flights import LAUNCH, T0, made_flight

FLIGHT = FlightPlan(
    launch=LaunchPlan(*LAUNCH, time_s=T0 + 120.0), trackers=(TrackerPlan("Main", "N0CALL-11"),)
)


def shown(forecast: Forecast | None, now_s: float) -> Session:
    session = Session(Mission(Plan(flights=(FLIGHT,)), None, forecast))
    session.mission.apply(Tick(now_s))
    session.settle_landing()
    return session


def test_with_a_forecast_the_landing_is_there_before_a_tracker_is_heard() -> None:
    state = shown(Growing(T0), T0 - 3_600.0).state()
    landing = state.flights[0].landing
    assert landing is not None
    assert state.flights[0].phase == "unknown"
    assert landing.basis == "prediction"
    aloft_s = landing.time.timestamp() - (T0 + 120.0)
    assert 5_400.0 < aloft_s < 10_800.0, "it rests until the planned launch"
    assert landing.longitude_deg > LAUNCH[1] + 0.2, "the wind is from the west"


def test_when_the_planned_launch_is_over_it_goes_up_now() -> None:
    early, late = (shown(Growing(T0), T0 + s).state().flights[0].landing for s in (0.0, 4_000.0))
    assert early is not None
    assert late is not None
    later_s = late.time.timestamp() - early.time.timestamp()
    assert later_s == pytest.approx(3_880.0, abs=60.0)


def test_without_winds_nothing_is_made_up() -> None:
    assert shown(None, T0 - 3_600.0).state().flights[0].landing is None


def test_a_fix_takes_the_plans_place() -> None:
    session = shown(Growing(T0), T0 - 3_600.0)
    session.mission.receive(list(made_flight(1_500.0)))
    session.settle_landing()
    landing = session.state().flights[0].landing
    assert landing is not None
    assert landing.as_of_phase == "ascent"


def test_a_plan_without_a_place_has_no_question() -> None:
    assert planned_question(FlightPlan()) is None
    assert planned_question(FlightPlan(launch=LaunchPlan(*LAUNCH))) is None


def test_terrain_is_the_ground_it_stands_on() -> None:
    class Hill:
        def __call__(self, latitude_deg: float, longitude_deg: float, /) -> float:
            return 700.0

        def heights(self, latitude_deg: np.ndarray, longitude_deg: np.ndarray, /) -> np.ndarray:
            return np.full(np.shape(latitude_deg), 700.0)

    question = planned_question(FLIGHT, terrain=Hill(), forecast=Growing(T0))
    assert question is not None
    assert question.ground.altitude_m == 700.0
    answer = predict(question)
    assert answer is not None
    assert answer.altitude_m == pytest.approx(700.0, abs=40.0)
