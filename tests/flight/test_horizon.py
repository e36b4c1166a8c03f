"""Line of sight against the 4/3-earth formula, and over ground that stands in the way."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from server.flight.chase.contact import Receiver, contact_of
from server.flight.chase.horizon import (
    EFFECTIVE_EARTH_RADIUS_M,
    contact_lost,
    horizon_m,
    lowest_visible_m,
    over_profile,
    over_smooth_ground,
)
from server.flight.inputs import FlightPlan, LaunchPlan, Plan, TrackerPlan
from server.flight.landing.predict import Landing, predict
from server.flight.landing.question import LandingQuestion
from server.flight.mission import Mission
from server.flight.view.vehicles import LAUNCH_SITE
from tests.flights import LAUNCH, made_flight
from tests.seen import shown

PLAN = Plan(
    flights=(
        FlightPlan(
            launch=LaunchPlan(*LAUNCH), trackers=(TrackerPlan("Main", callsign="N0CALL-11"),)
        ),
    )
)


def test_radio_horizon_of_the_textbook() -> None:
    # d[km] = 4.12 (sqrt h1 + sqrt h2), heights in metres; k = 4/3 as in ITU-R P.310
    assert horizon_m(2.0, 30_000.0) / 1000 == pytest.approx(
        4.12 * (math.sqrt(2.0) + math.sqrt(30_000.0)), rel=1e-3
    )
    assert horizon_m(2.0, lowest_visible_m(80_000.0, 2.0)) == pytest.approx(80_000.0, rel=1e-9)


@pytest.mark.parametrize("away_m", [3_000.0, 20_000.0, 80_000.0, 150_000.0])
def test_a_flat_profile_is_the_formula(away_m: float) -> None:
    distance_m = np.linspace(0.0, 160_000.0, 4_001)
    flat = over_profile(distance_m, np.full(4_001, 500.0), 2.0)
    formula_m = 500.0 + lowest_visible_m(away_m, 2.0)
    assert float(flat.at(away_m)) == pytest.approx(formula_m, abs=0.5)
    assert float(over_smooth_ground(160_000.0, 2.0, 500.0).at(away_m)) == pytest.approx(
        formula_m, abs=1.5
    )


def test_a_ridge_hides_what_lies_behind_it() -> None:
    """The ray over the ridge's top, longhand: on the effective earth it is a straight line."""
    distance_m = np.linspace(0.0, 60_000.0, 601)
    ground_m = np.full(601, 400.0)
    ridge = 200  # 20 km away
    ground_m[ridge] = 700.0
    horizon = over_profile(distance_m, ground_m, 2.0)
    top_m = 700.0 - 20_000.0**2 / (2 * EFFECTIVE_EARTH_RADIUS_M) - 402.0
    ray_m = 402.0 + top_m * 50.0 / 20.0 + 50_000.0**2 / (2 * EFFECTIVE_EARTH_RADIUS_M)
    assert float(horizon.at(50_000.0)) == pytest.approx(ray_m, abs=0.1)
    assert float(horizon.at(10_000.0)) < 415.0
    assert float(horizon.at(20_000.0)) == pytest.approx(700.0, abs=0.1)


FALLING = np.array([[0.0, 0.0, 0.0, 5_000.0], [900.0, 9_000.0, 0.0, 500.0]])


def test_contact_is_lost_behind_the_horizon() -> None:
    horizon = over_smooth_ground(90_000.0, 2.0, 500.0)
    loss = contact_lost(FALLING, (-70_000.0, 0.0), horizon)
    assert loss is not None
    away_m = 70_000.0 + 9_000.0 * loss.time_s / 900.0
    assert loss.height_above_ground_m == pytest.approx(lowest_visible_m(away_m, 2.0), abs=300.0)


def test_contact_holds_to_the_ground_nearby() -> None:
    horizon = over_smooth_ground(9_000.0, 2.0, 500.0)
    assert contact_lost(FALLING, (5_000.0, 1_000.0), horizon) is None
    lower = FALLING.copy()
    lower[-1, 3] = 499.0  # ends a metre in the ground: no loss "at 0 m"
    assert contact_lost(lower, (5_000.0, 1_000.0), horizon) is None


class Ridge:
    """Ground at the launch's height, but for a wall that stands on a meridian."""

    def __init__(self, longitude_deg: float, height_m: float, half_width_deg: float = 0.02) -> None:
        self.longitude_deg, self.height_m = longitude_deg, height_m
        self.half_width_deg = half_width_deg

    def __call__(self, latitude_deg: float, longitude_deg: float) -> float:
        return float(self.heights(np.array([latitude_deg]), np.array([longitude_deg]))[0])

    def heights(self, latitude_deg: np.ndarray, longitude_deg: np.ndarray) -> np.ndarray:
        near = np.abs(longitude_deg - self.longitude_deg) < self.half_width_deg
        return np.where(near, self.height_m, LAUNCH[2])


def falling() -> tuple[Mission, LandingQuestion, Landing, float, float]:
    """The made flight on its way down, and where it is expected."""
    flight = Mission(PLAN)
    flight.receive(list(made_flight(6_000.0)))
    question = flight.flights[0].landing_question()
    assert question is not None
    answer = predict(question)
    assert answer is not None
    latitude_deg, longitude_deg = question.frame.to_latlon(answer.x_m, answer.y_m)
    return flight, question, answer, float(latitude_deg), float(longitude_deg)


def test_each_receiver_has_a_contact_of_its_own() -> None:
    flight, question, answer, latitude_deg, longitude_deg = falling()
    west = Receiver("west", *_away(latitude_deg, longitude_deg, 270.0, 30_000.0))
    near = Receiver("near", *_away(latitude_deg, longitude_deg, 90.0, 2_000.0))
    smooth = contact_of(question, answer, west)
    assert contact_of(question, answer, near).lost is None
    assert smooth.lowest_altitude_m == pytest.approx(
        LAUNCH[2] + lowest_visible_m(30_000.0, 2.0), abs=1.0
    )
    walled = replace(question, terrain=Ridge(longitude_deg - 0.1, LAUNCH[2] + 400.0))
    behind, beside = contact_of(walled, answer, west), contact_of(walled, answer, near)
    assert behind.lost is not None
    assert behind.lowest_altitude_m > smooth.lowest_altitude_m + 300.0
    assert beside.lost is None
    state = shown(flight, (question, answer))
    told = state["landing"]["contacts"]
    assert [contact["receiver"] for contact in told] == [LAUNCH_SITE]


def test_no_ridge_is_stepped_over_from_far_away() -> None:
    """250 m wide and 800 m high, wherever it stands between a payload and a car 140 km away."""
    _, question, answer, latitude_deg, longitude_deg = falling()
    far = Receiver("far", *_away(latitude_deg, longitude_deg, 270.0, 140_000.0))
    smooth_m = contact_of(question, answer, far).lowest_altitude_m
    for beyond_deg in np.linspace(0.2, 0.21, 12):
        ridge = Ridge(longitude_deg - float(beyond_deg), LAUNCH[2] + 2_000.0, 125.0 / 87_000.0)
        behind = contact_of(replace(question, terrain=ridge), answer, far)
        assert behind.lowest_altitude_m > smooth_m + 400.0


def _away(*from_bearing_and_distance: float) -> tuple[float, float]:
    line = Geodesic.WGS84.Direct(*from_bearing_and_distance)
    return line["lat2"], line["lon2"]
