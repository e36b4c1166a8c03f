"""The height above ground that is shown is over the ground that is known, not over the ensemble's."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from server.flight.chase.contact import Receiver, contact_of
from server.flight.chase.horizon import lowest_visible_m
from server.flight.inputs import FlightPlan, LaunchPlan, Plan, Reception, TrackerPlan
from server.flight.landing.predict import predict
from server.flight.landing.question import Terrain
from server.flight.mission import Mission
from tests.flights import LAUNCH, altitude_at, landed_at, made_flight, packet, position_at
from tests.plans import with_flight
from tests.seen import shown

PLAN = Plan(
    flights=(
        FlightPlan(
            launch=LaunchPlan(*LAUNCH), trackers=(TrackerPlan("Main", callsign="N0CALL-11"),)
        ),
    )
)
END_S = landed_at(5_400.0)
FIVE_METRES = 5.0  # of the receiver's altitude, and of the filter


class Plain:
    """Ground at one height as far as the eye sees; None: a terrain that has no tile here."""

    def __init__(self, height_m: float | None) -> None:
        self.height_m = height_m

    def __call__(self, latitude_deg: float, longitude_deg: float) -> float | None:
        return self.height_m

    def heights(self, latitude_deg: np.ndarray, longitude_deg: np.ndarray) -> np.ndarray:
        return np.full(np.shape(latitude_deg), np.nan if self.height_m is None else self.height_m)


PLACES = pytest.mark.parametrize("terrain", [Plain(LAUNCH[2]), Plain(None), None])


def heard_over(
    heard: list[Reception], terrain: Terrain | None, plan: Plan = PLAN
) -> dict[str, Any]:
    flight = Mission(plan, terrain)
    flight.receive(heard)
    question = flight.flights[0].landing_question()
    assert question is not None
    answer = predict(question)
    return shown(flight, None if answer is None else (question, answer))


@PLACES
def test_on_the_pad_and_at_rest_it_is_nothing(terrain: Terrain | None) -> None:
    for until_s, phase in ((90.0, "ground"), (END_S + 300.0, "landed")):
        state = heard_over(list(made_flight(until_s)), terrain)
        assert state["phase"] == phase
        assert state["track"]["height_above_ground_m"] == pytest.approx(0.0, abs=FIVE_METRES)


@PLACES
def test_near_the_ground_it_is_what_it_is(terrain: Terrain | None) -> None:
    low_s = next(t for t in range(int(END_S), 0, -1) if altitude_at(t) > LAUNCH[2] + 11.0)
    heard = [*made_flight(low_s - 5.0, 10.0), packet(low_s)]
    state = heard_over(heard, terrain)
    assert state["phase"] == "descent"
    true_m = altitude_at(low_s) - LAUNCH[2]
    assert 8.0 < true_m < 20.0
    assert state["track"]["height_above_ground_m"] == pytest.approx(true_m, abs=FIVE_METRES)
    silent = heard_over([*heard, packet(low_s + 1_800.0, "N0CALL-3")], terrain)["landing"]
    assert silent["as_of_height_above_ground_m"] == pytest.approx(true_m, abs=FIVE_METRES)


def test_it_lies_on_the_ground_where_no_terrain_tells_how_high_that_is() -> None:
    lower = with_flight(PLAN, launch=LaunchPlan(LAUNCH[0], LAUNCH[1], LAUNCH[2] - 300.0))
    state = heard_over(list(made_flight(END_S + 300.0)), None, lower)
    assert state["phase"] == "landed"
    assert state["track"]["height_above_ground_m"] == pytest.approx(0.0, abs=FIVE_METRES)


def test_a_burst_is_above_the_launch_site_whatever_is_below_now() -> None:
    state = heard_over(list(made_flight(5_700.0)), Plain(LAUNCH[2] - 400.0))
    (burst,) = [event for event in state["events"] if event["kind"] == "burst"]
    (alarm,) = [alarm for alarm in state["alarms"] if alarm["kind"] == "burst"]
    above_m = burst["altitude_m"] - LAUNCH[2]
    assert alarm["facts"]["above_launch_m"] == pytest.approx(above_m, abs=0.1)


def test_the_horizon_stands_on_the_known_ground() -> None:
    """At 11 m the ensemble's ground is 49 m in the earth; the receiver's horizon is not."""
    low_s = next(t for t in range(int(END_S), 0, -1) if altitude_at(t) > LAUNCH[2] + 11.0)
    flight = Mission(PLAN)
    flight.receive([*made_flight(low_s - 5.0, 10.0), packet(low_s)])
    question = flight.flights[0].landing_question()
    assert question is not None
    answer = predict(question)
    assert answer is not None
    assert question.ground.altitude_m < LAUNCH[2] - 40.0
    latitude_deg, longitude_deg, _ = position_at(low_s)
    contact = contact_of(question, answer, Receiver("near", latitude_deg, longitude_deg - 0.1))
    x, y = question.frame.to_xy(latitude_deg, longitude_deg - 0.1)
    away_m = float(np.hypot(answer.x_m - x, answer.y_m - y))
    lowest_m = LAUNCH[2] + lowest_visible_m(away_m, 2.0)
    assert contact.lowest_altitude_m == pytest.approx(lowest_m, abs=1.0)
    below = replace(question, known_ground_m=question.motion.z.position + 100.0)
    sunken = contact_of(below, answer, Receiver("near", latitude_deg, longitude_deg - 0.1))
    assert sunken.lowest_altitude_m == pytest.approx(
        question.ground.altitude_m + lowest_visible_m(away_m, 2.0), abs=1.0
    )
